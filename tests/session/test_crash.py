"""A program that raises ends; the bench notes where, and all others go on."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

import can
import pytest
from life_car import Log, program, run

from linkloss.recording import Crash
from linkloss_nodes import MS

HERE = str(Path(__file__))


def line_of(mark: str) -> int:
    """The line of this file that carries a mark in a comment."""
    lines = Path(__file__).read_text().splitlines()
    (number,) = [n for n, line in enumerate(lines, start=1) if line.endswith(f"  # {mark}")]
    return number


def assert_crash(ran, at_ms: float, mark: str, text: str) -> None:
    (crash,) = ran.recording.crashes
    where = f"{HERE}:{line_of(mark)}"
    assert crash == Crash("unit", round(at_ms * MS), where, text)
    assert ran.states()[-1] == (at_ms, "crashed", text)
    assert ran.beats()[-1] > 250  # the other node goes on


def test_a_crash_in_init():
    def init(self, board):
        raise KeyError("lights")  # in init

    assert_crash(run(program(__init__=init)), 20, "in init", "KeyError: 'lights'")


def test_a_crash_in_start():
    def start(self):
        raise ValueError("no such lamp")  # in start

    assert_crash(run(program(start=start)), 20, "in start", "ValueError: no such lamp")


def test_a_crash_in_a_timer_stops_all_timers():
    log = Log()

    def start(self):
        self.board.every(10 * MS, log, self.board, "tick")
        self.board.after(35 * MS, self.fail)

    def fail(self):
        return 1 / 0  # in timer

    ran = run(program(start=start, fail=fail))
    assert_crash(ran, 55, "in timer", "ZeroDivisionError: division by zero")
    assert log == [(30, "tick"), (40, "tick"), (50, "tick")]


def test_a_crash_in_an_interrupt_of_a_hung_program():
    def start(self):
        self.board.every(50 * MS, self.fail, interrupt=True)

    def fail(self):
        raise RuntimeError("in vain")  # in interrupt

    ran = run(program(start=start, fail=fail), ("hang", 60, None))
    assert_crash(ran, 70, "in interrupt", "RuntimeError: in vain")


def test_a_crash_in_on_frame_ends_the_hand_over_of_frames():
    log = Log()

    def on_frame(self, message):
        log(self.board, message.data[0])
        raise OSError("full")  # in frame

    ran = run(program(on_frame=on_frame))
    (crash,) = ran.recording.crashes
    assert (crash.where, crash.text) == (f"{HERE}:{line_of('in frame')}", "OSError: full")
    assert [count for _, count in log.entries] == [1]


def test_a_crash_in_on_input():
    def on_input(self, name, value):
        raise LookupError(value)  # in input

    ran = run(program(on_input=on_input), switch=[(50, "on"), (60, "off")])
    assert_crash(ran, 50, "in input", "LookupError: on")


def test_a_crash_in_a_coroutine():
    async def unit(self):
        await asyncio.sleep(0.03)
        raise ValueError("lost")  # in coroutine

    assert_crash(run(program(run=unit)), 50, "in coroutine", "ValueError: lost")


def test_a_crash_in_a_coroutine_stops_the_callbacks_beside_it():
    log = Log()

    async def unit(self):
        await asyncio.sleep(0.03)
        raise ValueError("lost")

    def start(self):
        self.board.every(20 * MS, log, self.board, "tick")

    run(program(run=unit, start=start))
    assert log == [(40, "tick")]


def test_a_crash_in_a_callback_stops_the_coroutine_beside_it_where_it_is():
    log = Log()

    async def unit(self):
        try:
            while True:
                await asyncio.sleep(0.02)
                log(self.board, "step")
        finally:
            log(self.board, "tidies up")
            self.board.write("lamp", 1.0)

    def start(self):
        self.board.after(30 * MS, int, "x")

    ran = run(program(run=unit, start=start))
    assert log.entries[0] == (40, "step")
    assert all(what != "step" for _, what in log.entries[1:])
    assert ran.load("lamp") == [(0, 0.0)]


@pytest.mark.parametrize("leave", [lambda: sys.exit(0), lambda: sys.exit("enough")])
def test_a_program_that_ends_the_process_only_ends_itself(leave):
    ran = run(program(start=lambda self: self.board.after(30 * MS, leave)))
    (crash,) = ran.recording.crashes
    assert crash.text.startswith("SystemExit: ")
    assert crash.where.startswith(f"{HERE}:")
    assert ran.beats()[-1] > 250


def test_a_coroutine_that_ends_the_process_only_ends_itself():
    async def unit(self):
        await asyncio.sleep(0.03)
        sys.exit(0)  # in coroutine exit

    assert_crash(run(program(run=unit)), 50, "in coroutine exit", "SystemExit: 0")


def test_outputs_stay_as_a_crashed_program_left_them():
    def start(self):
        self.board.write("lamp", 1.0)
        raise ValueError

    assert run(program(start=start)).load("lamp") == [(0, 0.0), (20, 1.0)]


def test_the_place_of_a_crash_lies_in_the_program_and_not_in_what_it_called():
    def start(self):
        self.board.bus.send(can.Message(arbitration_id=1, is_fd=True))  # in a call

    (crash,) = run(program(start=start)).recording.crashes
    assert crash.where == f"{HERE}:{line_of('in a call')}"


def test_a_blocking_receive_is_a_crash_that_says_how_to_poll():
    def start(self):
        self.board.bus.recv(1.0)  # in recv

    ran = run(program(start=start))
    (crash,) = ran.recording.crashes
    assert crash.where == f"{HERE}:{line_of('in recv')}"
    assert "Poll with recv(0)" in crash.text


def test_an_unknown_input_is_told_with_the_nearest_one():
    def start(self):
        self.board.read("swich")  # in read

    ran = run(program(start=start))
    assert_crash(
        ran,
        20,
        "in read",
        "LookupError: unknown input of node 'unit' 'swich'; expected one of: switch"
        " (did you mean 'switch'?)",
    )


def test_an_input_that_is_wired_to_another_node_cannot_be_read():
    ran = run(program(start=lambda self: self.board.read("far_switch")))
    assert "expected one of: switch" in ran.recording.crashes[0].text


@pytest.mark.parametrize("use", ["write", "release"])
def test_an_unknown_output_is_told_with_the_nearest_one(use):
    arguments = ("lmap", 1.0) if use == "write" else ("lmap",)
    ran = run(program(start=lambda self: getattr(self.board, use)(*arguments)))
    assert ran.recording.crashes[0].text == (
        "LookupError: unknown output of node 'unit' 'lmap'; expected one of: brake, heater, lamp"
        " (did you mean 'lamp'?)"
    )


def test_a_run_that_is_no_coroutine_is_told_so():
    ran = run(program(run=lambda self: None))
    assert "'async def run(self)'" in ran.recording.crashes[0].text


def test_a_node_that_crashed_starts_anew_after_a_reset():
    def start(self):
        if "once" not in self.board.memory:
            self.board.memory["once"] = True
            raise ValueError("first time")

    ran = run(program(start=start), ("reset", 100, None))
    assert [state for _, state, _ in ran.states()] == [
        "reset", "running", "crashed", "reset", "running",
    ]  # fmt: skip
