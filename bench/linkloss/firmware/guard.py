"""Programs under test that share the bench's process: how they wait, and what they may not do.

A program that waits by itself is written as if it were alone, with a blocking delay. It keeps a
stack of its own: it runs until it waits, then the clock goes on, and it is resumed at the instant
for which it waits. The host of a node treats all of them alike, whatever keeps their stack.

The functions of ``os`` and ``signal`` that end, stop or replace the whole process are wrapped here:
called by a program they are its failure, with its place; whoever else calls them notices nothing.
The bench and the libraries are told from a program by the file that calls, and a program from the
rest, a test say, by what runs it.
"""

from __future__ import annotations

import importlib
import sys
import sysconfig
from abc import ABC, abstractmethod
from collections.abc import Callable
from functools import cache, wraps
from pathlib import Path
from types import CodeType, FrameType
from typing import Any, Protocol, TypeVar

from linkloss.bus import Port
from linkloss.clock import EventQueue, OwnClock


class ProgramFailed(BaseException):  # a program that catches every Exception does not catch it
    """A program that ended by a mistake of its own; ``where`` is its place, ``file:line``."""

    def __init__(self, text: str, where: str) -> None:
        self.where = where
        super().__init__(text)


class Caller(Protocol):
    """What runs a piece of a program and takes what it raises."""

    def call(self, action: Callable[..., object], *args: Any) -> None:
        """Run it."""


class BoardFace(Protocol):
    """What a program that blocks needs of a board of the bench, beside what
    ``linkloss_nodes.Board`` says.
    """

    host: Caller
    queue: EventQueue
    clock: OwnClock
    name: str
    cause: str

    @property
    def bus(self) -> Port:
        """The port."""

    @property
    def memory(self) -> dict[str, Any]:
        """What outlives a reset."""

    def read(self, name: str) -> str | float:
        """An input."""

    def write(self, name: str, level: float) -> None:
        """Drive an output."""

    def release(self, name: str) -> None:
        """Let go of an output."""

    def supply_volts(self) -> float:
        """The supply voltage."""

    def current(self, name: str) -> float:
        """The current into an output."""

    def recover_bus(self) -> None:
        """Come back from bus-off."""

    def start_watchdog(self, timeout_ns: int) -> None:
        """Start the watchdog."""

    def feed_watchdog(self, at_ns: int | None = None) -> None:
        """Feed the watchdog."""

    def restart(self) -> None:
        """Reset the board."""

    def printed(self, text: str) -> None:
        """Note a line of text that the program gave out."""


class BlockingProgram(ABC):
    """One run of a program that blocks, from the end of a boot to the next reset.

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
        """An input that is wired to the node has changed, also while the program hangs."""

    @abstractmethod
    def hang(self) -> None:
        """The main program stops where it is; interrupt handlers go on."""

    @abstractmethod
    def resume(self) -> None:
        """The main program goes on after a hang."""

    @abstractmethod
    def end(self) -> None:
        """The run is over: nothing of the program runs any more, and nothing of it is left."""


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
"""Module -> the functions that a program may not call; not every system has all of them."""

F = TypeVar("F", bound=Callable[..., Any])
_runners: set[CodeType] = set()


def runs_programs(function: F) -> F:
    """Decorates what runs code of a program: all that is called from there is the program's."""
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


def _of_program(frame: FrameType | None) -> bool:
    """Whether code stands below something that runs programs."""
    while frame is not None:
        if frame.f_code in _runners:
            return True
        frame = frame.f_back
    return False
