"""Programs that stop where they are, and the watchdog that ends it."""

from __future__ import annotations

import asyncio

import pytest
from life_car import Log, program, run

from linkloss_nodes import MS


def watched(period_ms=20, timeout_ms=50, *, interrupt=False):
    """A ``start`` that feeds a watchdog."""

    def start(self):
        self.board.start_watchdog(timeout_ms * MS)
        self.board.every(period_ms * MS, self.board.feed_watchdog, interrupt=interrupt)

    return start


def test_a_hung_program_gets_no_timers_frames_and_input_edges():
    log = Log()
    unit = program(
        start=lambda self: self.board.every(10 * MS, log, self.board, "tick"),
        on_frame=lambda self, message: log(self.board, "frame"),
        on_input=lambda self, name, value: log(self.board, value),
    )
    run(unit, ("hang", 75, None), switch=[(60, "on"), (100, "off")], lasts_ms=200)
    assert {what for _, what in log.entries} == {"tick", "frame", "on"}
    assert max(at_ms for at_ms, _ in log.entries) < 75


def test_an_interrupt_timer_goes_on_while_the_program_hangs():
    log = Log()

    def start(self):
        self.board.every(30 * MS, log, self.board, "interrupt", interrupt=True)

    run(program(start=start), ("hang", 60, None), lasts_ms=150)
    assert log == [(50, "interrupt"), (80, "interrupt"), (110, "interrupt"), (140, "interrupt")]


def test_a_program_that_goes_on_catches_up_once_per_timer_in_the_order_they_came_due():
    log = Log()

    def start(self):
        self.board.every(10 * MS, log, self.board, "ten", first_ns=5 * MS)
        self.board.after(55 * MS, log, self.board, "once")

    run(program(start=start), ("hang", 50, 100), lasts_ms=121)
    assert log == [
        (25, "ten"), (35, "ten"), (45, "ten"), (100, "ten"), (100, "once"), (110, "ten"),
        (120, "ten"),
    ]  # fmt: skip


def test_a_timer_that_another_one_cancels_while_catching_up_does_not_run():
    log = Log()

    def start(self):
        self.victim = self.board.after(50 * MS, log, self.board, "victim")
        self.every = self.board.every(50 * MS, log, self.board, "every")
        self.board.after(40 * MS, self.stop)

    def stop(self):
        self.victim.cancel()
        self.every.cancel()
        log(self.board, "stop")

    run(program(start=start, stop=stop), ("hang", 50, 100))
    assert log == [(100, "stop")]


def test_a_timer_cancelled_in_an_interrupt_during_the_hang_does_not_run_afterwards():
    log = Log()

    def start(self):
        self.victim = self.board.after(40 * MS, log, self.board, "victim")
        self.board.every(70 * MS, self.cancel, interrupt=True)

    def cancel(self):
        self.victim.cancel()
        self.victim.cancel()
        log(self.board, "cancel")

    run(program(start=start, cancel=cancel), ("hang", 50, 100), lasts_ms=120)
    assert log == [(90, "cancel")]


def test_a_reset_while_catching_up_leaves_the_other_timers_alone():
    log = Log()

    def start(self):
        if "once" in self.board.memory:
            return
        self.board.memory["once"] = True
        self.board.after(40 * MS, self.board.restart)
        self.board.after(50 * MS, log, self.board, "late")

    ran = run(program(start=start), ("hang", 50, 100))
    assert ran.states()[2:] == [
        (50, "hung", "fault"),
        (100, "running", "fault"),
        (100, "reset", "program"),
        (120, "running", "boot"),
    ]
    assert log == []


def test_frames_that_waited_during_a_hang_are_handed_over_afterwards_in_order():
    log = Log()
    unit = program(on_frame=lambda self, message: log(self.board, message.data[0]))
    run(unit, ("hang", 60, 170), lasts_ms=190)
    assert [(int(at_ms), count) for at_ms, count in log.entries] == [
        (30, 1), (170, 2), (170, 3), (180, 4),
    ]  # fmt: skip


def test_a_hung_node_still_acknowledges():
    ran = run(program(), ("hang", 60, None))
    assert [record.error for record in ran.recording.frames] == [None] * len(ran.recording.frames)
    assert ran.beats()[-1] > 200


def test_a_coroutine_stops_at_its_next_await_and_goes_on_after_the_hang():
    log = Log()

    async def unit(self):
        for step in range(4):
            await asyncio.sleep(0.03)
            log(self.board, step)

    run(program(run=unit), ("hang", 60, 120))
    assert log == [(50, 0), (120, 1), (150, 2), (180, 3)]


def test_a_time_limit_that_ends_while_the_program_hangs_is_told_to_the_program_afterwards():
    log = Log()

    async def unit(self):
        try:
            async with asyncio.timeout(0.05):  # until 70 ms
                await asyncio.sleep(0.02)  # until 40 ms
                log(self.board, "slept")
                await asyncio.sleep(1)
        except TimeoutError:
            log(self.board, "too late")
        await asyncio.sleep(0.01)
        log(self.board, "goes on")

    ran = run(program(run=unit), ("hang", 30, 100))
    assert log.entries[-2:] == [(100, "too late"), (110, "goes on")]
    assert ran.states()[-1] == (100, "running", "fault")


def test_a_program_that_crashed_neither_hangs_nor_goes_on():
    def start(self):
        self.board.after(10 * MS, int, "x")

    ran = run(program(start=start), ("hang", 60, 120))
    assert [state for _, state, _ in ran.states()] == ["reset", "running", "crashed"]


def test_a_hang_during_the_boot_does_nothing():
    ran = run(program(), ("hang", 10, 100))
    assert ran.states() == [(0, "reset", "power-up"), (20, "running", "boot")]


def test_a_fed_watchdog_never_bites():
    assert len(run(program(start=watched())).states()) == 2


def test_a_watchdog_that_is_not_fed_resets_the_board():
    ran = run(program(start=lambda self: self.board.start_watchdog(50 * MS)), lasts_ms=150)
    assert ran.states()[2:] == [
        (70, "reset", "watchdog"),
        (90, "running", "boot"),
        (140, "reset", "watchdog"),
    ]


def test_a_watchdog_bites_its_timeout_after_the_last_feed():
    def start(self):
        self.board.start_watchdog(50 * MS)
        self.board.after(33 * MS, self.board.feed_watchdog)

    assert run(program(start=start)).states()[2] == (103, "reset", "watchdog")


def test_a_watchdog_that_is_started_again_has_the_new_timeout():
    def start(self):
        self.board.start_watchdog(50 * MS)
        self.board.after(10 * MS, self.board.start_watchdog, 100 * MS)

    assert run(program(start=start)).states()[2] == (130, "reset", "watchdog")


def test_a_watchdog_ends_a_hang():
    ran = run(program(start=watched()), ("hang", 85, None))
    assert ran.states()[2:] == [
        (85, "hung", "fault"),
        (130, "reset", "watchdog"),
        (150, "running", "boot"),
    ]


def test_a_watchdog_that_is_fed_from_an_interrupt_never_notices_a_hang():
    ran = run(program(start=watched(interrupt=True)), ("hang", 85, None))
    assert ran.states()[2:] == [(85, "hung", "fault")]


def test_the_watchdog_of_a_program_that_crashed_restarts_it():
    def start(self):
        self.board.start_watchdog(50 * MS)
        self.board.after(10 * MS, int, "x")

    ran = run(program(start=start), lasts_ms=99)
    assert [(at, state) for at, state, _ in ran.states()[2:]] == [
        (30, "crashed"),
        (70, "reset"),
        (90, "running"),
    ]


def test_a_reset_stops_the_watchdog_until_the_new_program_starts_it():
    def start(self):
        if "once" not in self.board.memory:
            self.board.memory["once"] = True
            self.board.start_watchdog(50 * MS)

    ran = run(program(start=start), ("reset", 60, None))
    assert [cause for _, _, cause in ran.states()] == ["power-up", "boot", "fault", "boot"]


@pytest.mark.parametrize("period_ns", [0, -1])
def test_a_period_must_be_more_than_zero(period_ns):
    ran = run(program(start=lambda self: self.board.every(period_ns, print)))
    assert ran.recording.crashes[0].text == (
        f"ValueError: got a period of {period_ns} ns; expected more than zero"
    )


def test_a_watchdog_ends_a_coroutine_that_hangs():
    log = Log()

    async def unit(self):
        self.board.start_watchdog(50 * MS)
        log(self.board, "begins")
        try:
            while True:
                self.board.feed_watchdog()
                await asyncio.sleep(0.02)
        finally:
            log(self.board, "tidies up")

    ran = run(program(run=unit), ("hang", 85, None), lasts_ms=180)
    assert ran.states()[2:] == [
        (85, "hung", "fault"),
        (130, "reset", "watchdog"),
        (150, "running", "boot"),
    ]
    assert [what for _, what in log.entries].count("begins") == 2
