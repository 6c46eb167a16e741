"""A program in Python that tries to end, stop or silence its process ends itself alone."""

from __future__ import annotations

import asyncio
import os
import posix
import signal
import sys
from contextlib import suppress

import pytest
from life_car import program, run

from linkloss.firmware.guard import FORBIDDEN, install
from linkloss_nodes import MS

ENDS = {
    "os._exit": lambda: os._exit(0),
    "posix._exit": lambda: posix._exit(0),
    "os.abort": lambda: os.abort(),  # noqa: PLW0108 - the caller is this file, as a program's
    "os.kill": lambda: os.kill(os.getpid(), signal.SIGKILL),
    "os.fork": lambda: os.fork(),  # noqa: PLW0108 - the same
    "os.close": lambda: os.close(1),
    "os.closerange": lambda: os.closerange(0, 3),
    "os.execl": lambda: os.execl("/bin/true", "true"),
    "signal.raise_signal": lambda: signal.raise_signal(signal.SIGTERM),
}


@pytest.mark.parametrize("name", ENDS)
def test_a_node_that_would_end_its_process_crashes(name):
    install()
    ran = run(program(start=lambda self: self.board.after(30 * MS, ENDS[name])))
    assert ran.beats()[-1] > 250  # the other node goes on
    (crash,) = ran.recording.crashes
    assert (crash.node, crash.at_ns) == ("unit", 50 * MS)
    assert crash.text.startswith(f"{name}(): a node has no process to end")
    assert crash.where.startswith(__file__)


def test_a_program_cannot_catch_its_end_by_catching_every_exception():
    def start(self):
        with suppress(Exception):
            os._exit(0)

    (crash,) = run(program(start=start)).recording.crashes
    assert crash.text.startswith("os._exit()")


@pytest.mark.parametrize("end", [lambda: os._exit(0), sys.exit])
def test_a_coroutine_and_its_tasks_end_themselves_alone(end):
    async def inner():
        end()

    async def itself(self):
        end()

    async def its_task(self):
        await asyncio.create_task(inner())

    for begun in (itself, its_task):
        ran = run(program(run=begun, start=lambda self: None))
        assert [crash.node for crash in ran.recording.crashes] == ["unit"]
        assert ran.beats()[-1] > 250


def test_who_is_no_program_may_do_all_that():
    install()
    reading, writing = os.pipe()
    os.close(writing)
    assert os.read(reading, 1) == b""
    os.close(reading)
    child = os.fork()
    if child == 0:
        os._exit(7)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 7
    assert {"os", "posix", "signal"} == set(FORBIDDEN)
