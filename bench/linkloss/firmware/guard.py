"""Programs under test that share the bench's process: how they wait, and which calls are refused.

A blocking program is written as if it were alone and simply waits. It has its own stack: it runs
until it waits, then the clock advances, and it is resumed at the instant that it waits for. The
host of a node treats all such programs alike, however their stack is kept.

The functions of ``os`` and ``signal`` that end, stop or replace the whole process are wrapped here.
If a program calls one, that is a failure of the program, with the place of the call; for other
callers nothing changes. The bench and the libraries are recognised by the calling file, and a
program by what runs it, which distinguishes it from a test, for example.
"""

from __future__ import annotations

import importlib
import signal
import sys
import sysconfig
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from functools import cache, wraps
from pathlib import Path
from types import CodeType, FrameType
from typing import Any, Protocol, TypeVar

from linkloss.bus import Port
from linkloss.clock import EventQueue, OwnClock


class ProgramFailed(BaseException):  # "except Exception" must not catch it
    """A program that failed through its own fault; ``where`` is the place, ``file:line``."""

    def __init__(self, text: str, where: str) -> None:
        self.where = where
        super().__init__(text)


class Caller(Protocol):
    """Something that runs a piece of a program and handles what it raises."""

    def call(self, action: Callable[..., object], *args: Any) -> None:
        """Run it."""

    def bite(self, where: str = "") -> None:
        """The watchdog was not fed; ``where`` the program was, if that is known."""


class BoardFace(Protocol):
    """What a blocking program needs from a board of the bench."""

    host: Caller
    queue: EventQueue
    clock: OwnClock
    name: str
    cause: str
    seed: int

    @property
    def bus(self) -> Port:
        """The port."""

    @property
    def memory(self) -> dict[str, Any]:
        """What survives a reset."""

    def read(self, name: str) -> str | float:
        """An input."""

    def write(self, name: str, level: float) -> None:
        """Drive an output."""

    def release(self, name: str) -> None:
        """Let go of an output."""

    def released(self, name: str) -> float:
        """The level of an output that no program drives."""

    def supply_volts(self) -> float:
        """The supply voltage, in V."""

    def current(self, name: str) -> float:
        """The current into an output, in A."""

    def recover_bus(self) -> None:
        """Recover from bus-off."""

    def start_watchdog(self, timeout_ns: int) -> None:
        """Start the watchdog."""

    def feed_watchdog(self, at_ns: int | None = None) -> None:
        """Feed the watchdog."""

    def restart(self) -> None:
        """Reset the board."""

    def printed(self, text: str) -> None:
        """Record a line of text that the program printed."""


class BlockingProgram(ABC):
    """One run of a blocking program, from the end of a boot to the next reset.

    All methods but :meth:`end` may raise whatever the program raised, and ProgramFailed.
    """

    @abstractmethod
    def start(self) -> None:
        """Run from the program's beginning to its first wait."""

    @abstractmethod
    def received(self) -> None:
        """A frame has come into the controller's FIFO."""

    @abstractmethod
    def controller_changed(self) -> None:
        """The error state of the controller has changed."""

    @abstractmethod
    def input_changed(self, name: str, value: str | float) -> None:
        """An input that is wired to the node has changed. Also called while the program hangs."""

    @abstractmethod
    def hang(self) -> None:
        """The main program stops where it is; interrupt handlers still run."""

    @abstractmethod
    def resume(self) -> None:
        """The main program goes on after a hang."""

    @abstractmethod
    def end(self) -> None:
        """End the run: none of the program runs after this, and nothing of it remains."""


_TRUSTED = (
    str(Path(__file__).parents[1]),
    "<frozen",
    *sorted({sysconfig.get_path(name) for name in ("stdlib", "purelib", "platlib")}),
)
_OS = (
    "_exit", "abort", "kill", "killpg", "fork", "forkpty", "system", "popen", "close", "closerange",
    "dup2", "execl", "execle", "execlp", "execlpe", "execv", "execve", "execvp", "execvpe",
    "spawnl", "spawnle", "spawnlp", "spawnlpe", "spawnv", "spawnve", "spawnvp", "spawnvpe",
    "posix_spawn", "posix_spawnp",
)  # fmt: skip
FORBIDDEN = {
    "os": _OS,
    "posix": _OS,
    "signal": ("alarm", "pthread_kill", "raise_signal", "setitimer", "signal"),
}
"""Module -> the functions that a program must not call. Not every system has all of them."""

F = TypeVar("F", bound=Callable[..., Any])
_runners: set[CodeType] = set()


def runs_programs(function: F) -> F:
    """Mark a function as one that runs a program's code: all code called from it belongs to the
    program.
    """
    _runners.add(function.__code__)
    return function


@cache
def install() -> None:
    """Wrap the functions, once in a process, before any program is imported."""
    for name, functions in FORBIDDEN.items():
        try:
            module = importlib.import_module(name)
        except ImportError:  # another system
            continue
        for function in functions:
            if hasattr(module, function):
                setattr(module, function, _guarded(f"{name}.{function}", getattr(module, function)))


def _guarded(name: str, real: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(real)
    def call(*args: Any, **settings: Any) -> Any:
        frame = sys._getframe(1)
        if not frame.f_code.co_filename.startswith(_TRUSTED) and _of_program(frame):
            where = f"{frame.f_code.co_filename}:{frame.f_lineno}"
            raise ProgramFailed(f"{name}(): a node has no process to end, stop or replace", where)
        return real(*args, **settings)

    return call


LOOP_TICK_S, LOOP_TICKS = 0.2, 10
"""How often a Python program is looked at, in seconds of processor time, and for how many looks in
a row it may compute at one instant of virtual time.
"""


class _Loops:
    """Looks at what this process computes, every so often in its own processor time."""

    def __init__(self) -> None:
        self.queue: EventQueue | None = None
        self._seen: tuple[int, int] | None = None
        self._ticks = 0
        self._looped: int | None = None
        self._stays: set[int] = set()

    def tick(self, _number: int, frame: FrameType | None) -> None:
        """Raises ProgramFailed inside a program that computes on and on."""
        seen = None if self.queue is None else (id(self.queue), self.queue.now_ns)
        again = seen is not None and seen == self._seen
        self._ticks = self._ticks + 1 if again else 0
        frames = set(map(id, _callers(frame)))
        self._stays = self._stays & frames if again else frames
        self._seen = seen
        # what has looped once in this run, and was restarted, is looked at more shortly
        enough = LOOP_TICKS if seen is None or self._looped != seen[0] else LOOP_TICKS // 5
        if self._ticks < enough or not _of_program(frame):
            return
        self._ticks = 0
        self._looped = id(self.queue)
        own = [each for each in _callers(frame) if not each.f_code.co_filename.startswith(_TRUSTED)]
        loop = next((each for each in own if id(each) in self._stays), None)
        where = "" if loop is None else f"{loop.f_code.co_filename}:{loop.f_lineno}"
        raise ProgramFailed(ENDLESS, where)


def _callers(frame: FrameType | None) -> Iterator[FrameType]:
    """A frame and all that called it, the innermost first."""
    while frame is not None:
        yield frame
        frame = frame.f_back


ENDLESS = "endless loop that never waits"
"""What is said of a Python program that computes on and on."""
_loops = _Loops()


def follow(queue: EventQueue) -> None:
    """From now on this is the clock of the programs in this process."""
    _loops.queue = queue


def end_endless_loops() -> None:
    """From now on a Python program in this process that loops for ever fails, with its place. For a
    process that only runs scenarios, in its main thread; a child of it has to ask again.
    """
    if hasattr(signal, "setitimer"):
        signal.signal(signal.SIGPROF, _loops.tick)
        signal.setitimer(signal.ITIMER_PROF, LOOP_TICK_S, LOOP_TICK_S)


def _of_program(frame: FrameType | None) -> bool:
    """Whether a frame was called, directly or not, by a function that runs programs."""
    return any(each.f_code in _runners for each in _callers(frame))
