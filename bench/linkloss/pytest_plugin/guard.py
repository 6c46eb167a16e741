"""A test run that a program under test ends is a failed run.

A program shares its process with the tests that have a car. In Python it is stopped where it
calls what ends a process; machine code is not, and can leave with exit code 0: a run that never
came to its end would count as passed. So where such tests are collected, the run goes on in a
forked process, and what counts is the exit code that pytest has come to there, not the one that
the process left with.

    pytest ---collects---+-- waits ------------------+--- ends as told, else with 1
                         +-- runs the tests, reports -+
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from contextlib import suppress
from types import FrameType

import pytest

from linkloss.campaign.apart import can_branch

_LONGEST = 16
"""Bytes of an exit code, written as a number."""


def watch(session: pytest.Session) -> None:
    """Go on in a process that is watched, where that is needed and possible. Returns in that
    process only; the one that watches ends here.
    """
    if session.config.option.collectonly or not _is_the_program() or not can_branch():
        return
    reader, writer = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child == 0:
        os.close(reader)
        session.config.add_cleanup(lambda: _tell(writer, session))
        return
    os.close(writer)
    os._exit(_outcome(session, child, reader))


def _is_the_program() -> bool:
    """Whether pytest is what this process runs, and not a part of something that goes on."""
    names = list(_calls(sys._getframe()))
    started = any(name.endswith("console_main") for name in names)  # its name in some versions
    return started and names.count("wrap_session") == 1


def _calls(frame: FrameType | None) -> Iterator[str]:
    while frame is not None:
        if frame.f_globals.get("__name__") in ("_pytest.config", "_pytest.main"):
            yield frame.f_code.co_name
        frame = frame.f_back


def _tell(writer: int, session: pytest.Session) -> None:
    with suppress(OSError):  # who watches has been killed
        os.write(writer, str(int(session.exitstatus)).encode())


def _outcome(session: pytest.Session, child: int, reader: int) -> int:
    """The exit code that the watched process has told; 1 where it ended without."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the tests get it, too, and end
    signal.signal(signal.SIGTERM, lambda number, _: os.kill(child, number))
    _, status = os.waitpid(child, 0)
    os.set_blocking(reader, False)  # a process that a program left behind may hold the other end
    with suppress(BlockingIOError):
        if told := os.read(reader, _LONGEST):
            return int(told)
    code = os.waitstatus_to_exitcode(status)
    how = f"with exit code {code}" if code >= 0 else f"by signal {-code}"
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if reporter is not None:
        reporter.write_line("")
        reporter.write_line(
            f"linkloss: the test run ended {how} in the middle of a test: something has ended its"
            " process, as machine code of a node's program can. Run with -v to see in which test.",
            red=True,
        )
        reporter.flush()
    return int(pytest.ExitCode.TESTS_FAILED)
