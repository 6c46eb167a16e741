"""Cases run again, for a closer look than their results allow: a report shows what happened.

Each runs in a process of its own, where processes can fork, so that one that crashes or hangs
costs its own picture and nothing else.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Generic, NamedTuple, TypeVar

from linkloss.campaign.apart import can_branch
from linkloss.campaign.order import Order
from linkloss.campaign.result import RunResult
from linkloss.campaign.run import run
from linkloss.model.loading import Vehicle
from linkloss.scenario import Scenario

T = TypeVar("T")
LIMIT_S = 30.0
"""Wall-clock seconds that a case may take to run again."""


class Wanted(NamedTuple, Generic[T]):
    """A case, and what is wanted of its run."""

    case: Scenario
    work: Callable[[RunResult], T]


class Failed(NamedTuple):
    """There is nothing to show of a case, and why."""

    why: str


def cases_named(
    vehicle: Vehicle,
    seed: int,
    names: Iterable[str],
    drive: Path | None = None,
    logged: tuple[str, ...] | None = None,
) -> Mapping[str, Scenario]:
    """The cases with these names; names that do not fit the vehicle are missing. ``drive`` is
    the log whose windows are the situations, if any, ``logged`` the nodes that come out of it.
    """
    order = Order(vehicle.path, seed, drive=drive, logged=logged)
    found = {name: order.named(vehicle, name) for name in names}
    return {name: case for name, case in found.items() if case is not None}


def again(
    wanted: Sequence[Wanted[T]], *, jobs: int | None = None, limit_s: float = LIMIT_S
) -> Iterator[T | Failed]:
    """Run cases again, ``jobs`` at a time (default: all cores); the answers in their order.

    Where processes cannot fork, or this one has several threads, the cases run in this process,
    one after the other.
    """
    if not can_branch():
        yield from (entry.work(run(entry.case)) for entry in wanted)
        return
    most = max(1, jobs or os.cpu_count() or 1)
    begun: list[_Child[T]] = []
    try:
        for index in range(len(wanted)):
            while len(begun) < min(len(wanted), index + most):
                begun.append(_Child(wanted[len(begun)], limit_s))
            yield begun[index].answer()
    finally:
        for child in begun:
            child.end()


class _Child(Generic[T]):
    """A process with one case. It inherits the case; its answer comes back through a pipe."""

    def __init__(self, entry: Wanted[T], limit_s: float) -> None:
        context = multiprocessing.get_context("fork")
        self.limit_s = limit_s
        self.reader, writer = context.Pipe(duplex=False)
        self.process = context.Process(target=_run, args=(entry, writer), daemon=True)
        self.process.start()
        writer.close()

    def answer(self) -> T | Failed:
        """What the case's run gave, once it is there."""
        found: T | Failed = Failed("its process ended before it could be looked at")
        with suppress(EOFError):
            if self.reader.poll(self.limit_s):
                found = self.reader.recv()
            else:
                found = Failed(f"it did not end within {self.limit_s:g} s of real time")
        self.end()
        return found

    def end(self) -> None:
        """End the process, if it still runs."""
        if self.process.is_alive():
            self.process.kill()
        self.process.join()
        self.reader.close()


def _run(entry: Wanted[Any], writer: Connection) -> None:
    gc.disable()  # one case is over before it pays
    writer.send(entry.work(run(entry.case)))
    writer.close()
    os._exit(0)  # nothing that was inherited is to be flushed or closed a second time
