"""What a program under test may not do: end, stop or replace the process that judges it.

A program in Python shares its process with the bench. The functions of ``os`` and ``signal`` that
act on the whole process are wrapped here: called by a program they are its failure, with its place;
whoever else calls them notices nothing. The bench and the libraries are told from a program by the
file that calls, and a program from the rest, a test say, by what runs it.
"""

from __future__ import annotations

import importlib
import sys
import sysconfig
from collections.abc import Callable
from functools import cache, wraps
from pathlib import Path
from types import CodeType, FrameType
from typing import Any, TypeVar

from linkloss.clock.blocking import ProgramFailed

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
