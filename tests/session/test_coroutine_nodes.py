"""Nodes with ``async def run``: asyncio on the board's time."""

from __future__ import annotations

import asyncio

import can
import pytest
from life_car import Log, program, run

from linkloss_nodes import MS


def test_sleep_takes_the_boards_time():
    log = Log()

    async def unit(self):
        await asyncio.sleep(0.0301)
        log(self.board, "awake")

    run(program(run=unit))
    assert log == [(50.1, "awake")]


def test_a_timeout_ends_a_wait():
    log = Log()

    async def unit(self):
        try:
            async with asyncio.timeout(0.025):
                await asyncio.Event().wait()
        except TimeoutError:
            log(self.board, "timeout")

    run(program(run=unit))
    assert log == [(45, "timeout")]


def test_a_coroutine_and_callbacks_of_one_node_share_it():
    log = Log()

    def start(self):
        self.heard = asyncio.Queue()

    def on_frame(self, message):
        self.heard.put_nowait(message.data[0])

    async def unit(self):
        while True:
            count = await self.heard.get()
            log(self.board, count)
            self.board.bus.send(can.Message(arbitration_id=257, data=[count], is_extended_id=False))

    ran = run(program(start=start, on_frame=on_frame, run=unit))
    assert [count for _, count in log.entries] == [1, 2, 3, 4, 5, 6]
    assert [data for _, data in ran.answers()] == [bytes([n]) for n in range(1, 7)]


def test_coroutine_nodes_and_callback_nodes_run_side_by_side():
    async def other(self):
        count = 0
        while True:
            await asyncio.sleep(0.04)
            count += 1
            self.board.bus.send(can.Message(arbitration_id=256, data=[count], is_extended_id=False))

    log = Log()
    unit = program(on_frame=lambda self, message: log(self.board, message.data[0]))
    ran = run(unit, other=program(run=other))
    assert [int(at_ms) for at_ms, _ in log.entries] == [60, 100, 140, 180, 220, 260]
    assert ran.beats() == [60, 100, 140, 180, 220, 260]


def test_a_polling_program_finds_what_arrived_since_it_last_looked():
    log = Log()

    def start(self):
        self.board.every(60 * MS, self.look)

    def look(self):
        while (message := self.board.bus.recv(0)) is not None:
            log(self.board, message.data[0])
        log(self.board, "empty")

    run(program(start=start, look=look), lasts_ms=210)
    assert log == [
        (80, 1), (80, "empty"), (140, 2), (140, 3), (140, "empty"), (200, 4), (200, "empty"),
    ]  # fmt: skip


def test_a_polling_coroutine_finds_frames_too():
    log = Log()

    async def unit(self):
        while True:
            message = self.board.bus.recv(0)
            if message is not None:
                log(self.board, message.data[0])
            await asyncio.sleep(0.001)

    run(program(run=unit), lasts_ms=150)
    assert log == [(31, 1), (81, 2), (131, 3)]


def test_a_coroutine_that_resets_its_board_runs_nothing_behind_the_call():
    log = Log()

    async def unit(self):
        log(self.board, "begins")
        await asyncio.sleep(0.03)
        self.board.restart()
        log(self.board, "behind")

    ran = run(program(run=unit), lasts_ms=110)
    assert ran.states()[2:] == [
        (50, "reset", "program"),
        (70, "running", "boot"),
        (100, "reset", "program"),
    ]
    assert log == [(20, "begins"), (70, "begins")]


def test_nothing_of_a_node_runs_at_the_instant_at_which_its_coroutine_resets_it():
    log = Log()

    def start(self):
        if "once" not in self.board.memory:
            self.board.after(30 * MS, self.wake)
            self.board.after(30 * MS, self.arm)

    def wake(self):
        self.woken.set()

    def arm(self):
        self.board.after(0, log, self.board, "a timer of before")

    async def unit(self):
        self.woken = asyncio.Event()
        if "once" not in self.board.memory:
            await self.woken.wait()
            self.board.memory["once"] = True
            self.board.restart()

    ran = run(program(start=start, wake=wake, arm=arm, run=unit))
    assert ran.states()[2] == (50, "reset", "program")
    assert log == []


def test_a_reset_ends_a_coroutine_and_its_tidying_up_reaches_nothing():
    async def unit(self):
        bus = self.board.bus
        try:
            await asyncio.sleep(10)
        finally:
            self.tidied = True
            bus.send(can.Message(arbitration_id=257, data=[9], is_extended_id=False))
            self.board.write("lamp", 1.0)

    ran = run(program(run=unit), ("reset", 100, None))
    assert ran.load("lamp") == [(0, 0.0)]
    assert ran.answers() == []
    assert ran.recording.crashes == []
    assert [cause for _, _, cause in ran.states()] == ["power-up", "boot", "fault", "boot"]


def test_a_coroutine_that_ignores_its_end_reaches_nothing_either():
    log = Log()

    async def unit(self):
        log(self.board, "begins")
        for _ in range(20):
            try:
                await asyncio.sleep(0.02)
                self.board.write("lamp", 1.0)
                self.board.after(0, log, self.board, "timer")
            except (asyncio.CancelledError, RuntimeError):
                continue

    ran = run(program(run=unit), ("reset", 30, None), ("reset", 90, None), lasts_ms=105)
    assert ran.load("lamp") == [(0, 0.0), (70, 1.0), (90, 0.0)]
    assert [what for _, what in log.entries].count("begins") == 2
    assert [at_ms for at_ms, what in log.entries if what == "timer"] == [70]


def test_a_coroutine_that_returns_leaves_the_node_running():
    async def unit(self):
        self.board.write("lamp", 1.0)

    ran = run(program(run=unit))
    assert ran.states()[-1] == (20, "running", "boot")
    assert ran.load("lamp") == [(0, 0.0), (20, 1.0)]


def test_tasks_that_a_program_makes_run_on_the_boards_time():
    log = Log()

    async def unit(self):
        async def part(delay_s):
            await asyncio.sleep(delay_s)
            log(self.board, delay_s)

        await asyncio.gather(part(0.02), part(0.01))
        log(self.board, "both")

    run(program(run=unit))
    assert log == [(30, 0.01), (40, 0.02), (40, "both")]


@pytest.mark.parametrize("ends", [25, 100])
def test_the_end_of_a_run_ends_coroutines_without_a_word(ends, caplog):
    async def unit(self):
        try:
            while True:
                await asyncio.sleep(0.01)
                self.awake = True
        finally:
            self.board.write("lamp", 1.0)

    ran = run(program(run=unit), lasts_ms=ends)
    assert ran.load("lamp") == [(0, 0.0)]
    assert caplog.records == []


def test_the_end_of_a_run_ends_a_hung_coroutine_without_a_word(caplog):
    async def unit(self):
        try:
            while True:
                await asyncio.sleep(0.01)
                self.awake = True
        finally:
            self.board.write("lamp", 1.0)

    ran = run(program(run=unit), ("hang", 50, None), lasts_ms=100)
    assert ran.load("lamp") == [(0, 0.0)]
    assert caplog.records == []


def test_tasks_that_a_program_makes_stop_while_it_hangs():
    log = Log()

    async def unit(self):
        async def part():
            while True:
                await asyncio.sleep(0.02)
                log(self.board, "part")

        self.part = asyncio.create_task(part())
        await asyncio.sleep(10)

    run(program(run=unit), ("hang", 50, 110), lasts_ms=135)
    assert log == [(40, "part"), (110, "part"), (130, "part")]


def test_tasks_that_a_callback_makes_end_with_the_program():
    log = Log()

    def start(self):
        async def part(number):
            while True:
                await asyncio.sleep(0.02)
                log(self.board, number)

        starts = self.board.memory["starts"] = self.board.memory.get("starts", 0) + 1
        self.part = asyncio.get_running_loop().create_task(part(starts))

    run(program(start=start), ("reset", 50, None), lasts_ms=115)
    assert log == [(40, 1), (90, 2), (110, 2)]


def test_a_crash_in_a_task_that_a_program_waits_for_is_told_by_its_own_place():
    async def unit(self):
        async def part():
            await asyncio.sleep(0.01)
            raise ValueError("in part")

        async with asyncio.TaskGroup() as group:
            group.create_task(part())
            group.create_task(asyncio.sleep(10))

    (crash,) = run(program(run=unit)).recording.crashes
    assert crash.at_ns == 30 * MS
    assert crash.text == "ValueError: in part"
    assert crash.where.startswith(__file__)


def test_a_task_of_a_program_may_reset_the_board():
    async def unit(self):
        async def part():
            await asyncio.sleep(0.01)
            self.board.restart()

        self.part = asyncio.create_task(part())
        await asyncio.sleep(10)

    ran = run(program(run=unit), lasts_ms=45)
    assert ran.states()[2:] == [(30, "reset", "program")]


def test_the_result_of_a_task_reaches_who_waits_for_it():
    log = Log()

    async def unit(self):
        async def part():
            await asyncio.sleep(0.01)
            return 42

        log(self.board, await asyncio.create_task(part()))

    run(program(run=unit))
    assert log == [(30, 42)]
