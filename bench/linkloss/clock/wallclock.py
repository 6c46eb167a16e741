"""The one door to the wall clock: how long a person waits, and how fast a live session runs.

Nothing that is judged passes here: a live session stamps what comes from outside with a virtual
instant, and from then on only that instant counts.
"""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path
from typing import NamedTuple


def monotonic_seconds() -> float:
    """Seconds of real time since some fixed instant; never runs backwards."""
    return time.monotonic()  # noqa: TID251 - the one door


def processor_seconds() -> float:
    """Seconds that this process has computed; what others do on the machine does not count."""
    return time.process_time()  # noqa: TID251 - the one door


def epoch_ns() -> int:
    """Real time in ns since the epoch, for the time stamps that programs see."""
    return time.time_ns()


def wait_seconds(seconds: float) -> None:
    """Let real time pass, only to show something at the pace at which it happened."""
    time.sleep(seconds)  # noqa: TID251 - the one door


class ProcessTime(NamedTuple):
    """The processor time of a process in seconds, and whether it sleeps: it waits in a call of the
    system. A process that waits for its turn on a busy processor, for a disk, for another that
    computes for it, or because it was stopped, does not sleep.
    """

    cpu_s: float
    sleeps: bool


def process_time(process: int) -> ProcessTime | None:
    """How a process stands at this moment, without its children; None where the system does not
    tell, or has no such process.
    """
    try:
        text = Path(f"/proc/{process}/stat").read_text(encoding="ascii", errors="replace")
    except OSError:
        return None
    state, *fields = text.rpartition(")")[2].split()  # the name before it may hold anything
    user, system = fields[10:12]
    sleeps = state == "S" and f"({COMPUTES_ELSEWHERE})" not in text
    return ProcessTime((int(user) + int(system)) / os.sysconf("SC_CLK_TCK"), sleeps)


COMPUTES_ELSEWHERE = "linkloss+images"
"""The name of a process that waits for others which compute for it: it does not sleep."""


class ComputesElsewhere:
    """Counts the helpers that compute for this process; while there are any, it has that name."""

    def __init__(self) -> None:
        self._helpers = 0
        self._name = ""

    def more(self, number: int) -> None:
        """So many more helpers compute for this process; a negative number: fewer."""
        own = Path("/proc/self/comm")
        if self._helpers == 0:
            self._name = own.read_text(encoding="utf-8").strip()
        before, self._helpers = self._helpers, self._helpers + number
        if (before == 0) is not (self._helpers == 0):
            own.write_text(COMPUTES_ELSEWHERE if self._helpers else self._name, encoding="utf-8")


class Wall:
    """A wall clock with a bell: one thread waits, others ring."""

    def __init__(self) -> None:
        self._bell = threading.Event()

    def now_ns(self) -> int:
        """Real time in ns since some fixed instant; never runs backwards."""
        return time.monotonic_ns()

    def wait(self, longest_ns: int) -> None:
        """Return after ``longest_ns`` of real time, or as soon as the bell has rung since the last
        wait.
        """
        self._bell.wait(longest_ns / 1e9)
        self._bell.clear()

    def ring(self) -> None:
        """Wake the waiting thread; callable from any thread."""
        self._bell.set()
