"""Calls that a board does not have: they would reach the machine that the bench runs on.

A firmware that asks this machine for the time, or waits in it, would not run on the bench's time
and would not give the same result twice. It is refused, with what to call instead.
"""

from __future__ import annotations

import shutil
import subprocess

from bench.firmware.problem import BuildError

_WAIT = "board_delay_ms() or board_delay_us()"
_TIME = "board_ms() or board_us()"
_NOTHING = "there is no such thing on a board"
INSTEAD = {
    **dict.fromkeys(("sleep", "usleep", "nanosleep", "clock_nanosleep"), _WAIT),
    **dict.fromkeys(("time", "clock", "clock_gettime", "gettimeofday", "times"), _TIME),
    **dict.fromkeys(
        (
            "fopen", "fopen64", "open", "open64", "socket", "fork", "system", "popen", "execv",
            "execve", "execvp", "pthread_create", "select", "poll", "signal", "sigaction", "getenv",
        ),
        _NOTHING,
    ),
    **dict.fromkeys(("random", "srandom", "drand48", "rand_r"), "rand() and srand()"),
}  # fmt: skip
"""What a firmware may not call -> what to call instead."""


def refuse_host_calls(source: str, made: str) -> None:
    """Look into a compiled source for calls that reach this machine. Raises BuildError."""
    tool = shutil.which("nm")
    if tool is None:
        return  # the linker, which comes with it, will complain
    done = subprocess.run(  # noqa: S603 - a tool of the compiler's
        [tool, "--undefined-only", "--format=posix", made],
        capture_output=True,
        text=True,
        check=False,
    )
    for line in done.stdout.splitlines():
        name = line.partition(" ")[0]
        if name in INSTEAD:
            raise BuildError(f"{source} calls {name}(); expected: {INSTEAD[name]}")
