"""Calls that a board does not have: they would reach the machine that the bench runs on.

A firmware that asks this machine for the time, or waits in it, would not run on the bench's time
and would not give the same result twice. It is refused, with what to call instead.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Mapping

from linkloss.firmware.problem import BuildError

_WAIT = "board_delay_ms() or board_delay_us()"
_TIME = "board_ms() or board_us()"
_NOTHING = "there is no such thing on a board"
INSTEAD = {
    **dict.fromkeys(("sleep", "usleep", "nanosleep", "clock_nanosleep"), _WAIT),
    **dict.fromkeys(("time", "clock", "clock_gettime", "gettimeofday", "times"), _TIME),
    **dict.fromkeys(
        (
            "fopen", "fopen64", "freopen", "fdopen", "fclose", "open", "open64", "close",
            "closefrom", "close_range", "dup", "dup2", "dup3", "socket", "fork", "vfork", "_Fork",
            "forkpty", "clone", "system", "popen", "execl", "execle", "execlp", "execv", "execve",
            "execvp", "execvpe", "fexecve", "posix_spawn", "posix_spawnp", "syscall", "prctl",
            "ptrace", "pthread_create", "pthread_sigmask", "sigprocmask", "select", "poll",
            "signal", "sigaction", "alarm", "setitimer", "timer_create", "getenv", "setenv",
            "putenv", "getpid", "setlocale", "mprotect", "munmap",
        ),
        _NOTHING,
    ),
    **dict.fromkeys(("random", "srandom", "drand48", "rand_r"), "rand() and srand()"),
    **dict.fromkeys(("write", "read"), "board_serial_write()"),
}  # fmt: skip
"""What a firmware may not call -> what to call instead."""


def refuse_host_calls(made: Mapping[str, str]) -> None:
    """Look into all compiled sources of a firmware, by the names of the sources, for calls that
    reach this machine. A function that the firmware brings along may have any name. Raises
    BuildError.
    """
    own = {name for file in made.values() for name in _symbols(file, "--defined-only")}
    for source, file in made.items():
        for name in _symbols(file, "--undefined-only"):
            if name in INSTEAD and name not in own:
                raise BuildError(f"{source} calls {name}(); expected: {INSTEAD[name]}")


def _symbols(file: str, which: str) -> list[str]:
    tool = shutil.which("nm")
    if tool is None:
        return []  # the linker, which comes with it, will complain
    done = subprocess.run(  # noqa: S603 - a tool of the compiler's
        [tool, which, "--format=posix", file],
        capture_output=True,
        text=True,
        check=False,
    )
    names = (line.partition(" ")[0] for line in done.stdout.splitlines())
    return [name.removeprefix("__gcov_") for name in names]  # which counting puts before some
