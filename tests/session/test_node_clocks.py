"""Each node has a clock of its own: it begins where a scenario says, and runs wrong as it says."""

from __future__ import annotations

import asyncio
import dataclasses

import can
import life_car
import pytest
from life_car import Log, program

from linkloss.clock import EventQueue, OwnClock
from linkloss.session import Session
from linkloss_nodes import MS, US

HOUR = 3_600_000 * MS
FAST, SLOW = 1000.0, -1000.0  # ppm: a millisecond in a second


def run(unit, *faults, clocks=None, drifts=None, **rest):
    told = dataclasses.replace(
        life_car.scenario(unit, *faults, **rest),
        clocks={} if clocks is None else {"unit": clocks},
        drifts={} if drifts is None else {"unit": drifts},
    )
    session = Session(told)
    return life_car.Ran(session, session.run())


@pytest.mark.parametrize("ppm", [0.0, 0.001, 100.0, -100.0, FAST, SLOW, 99_999.0])
@pytest.mark.parametrize("start_ns", [0, 65_000 * MS, 1192 * HOUR])
def test_a_time_is_due_when_the_clock_first_shows_it(ppm, start_ns):
    queue = EventQueue()
    clock = OwnClock(queue, start_ns, ppm)
    assert clock.shows(0) == start_ns
    assert clock.shows(10**9) - start_ns == 10**9 + round(ppm * 1000)
    for shown_ns in (start_ns + 1, start_ns + 12_345_678, start_ns + 10**12 + 7):
        due_ns = clock.instant(shown_ns)
        assert clock.shows(due_ns) >= shown_ns > clock.shows(due_ns - 1)
    queue.now_ns = 777_777_777
    assert clock.between(queue.now_ns, clock.after(50 * MS)) in (50 * MS, 50 * MS + 1)


def test_what_a_node_reads_begins_where_the_scenario_says_and_a_reset_does_not_set_it_back():
    shown = []
    unit = program(start=lambda self: shown.append(self.board.now_ns()))
    ran = run(unit, ("reset", 100, None), clocks=65_000 * MS)
    starts = [at_ms for at_ms, state, _ in ran.states() if state == "running"]
    assert len(starts) == 2
    assert shown == [65_000 * MS + round(at_ms * MS) for at_ms in starts]


def test_a_clock_alone_moves_nothing_that_is_recorded():
    def unit():
        return program(start=lambda self: self.board.every(7 * MS, self.tell), tell=tell)

    def tell(self):
        message = can.Message(arbitration_id=life_car.ANSWER, data=b"\1", is_extended_id=False)
        self.board.bus.send(message)

    plain, late = run(unit()), run(unit(), clocks=1192 * HOUR)
    assert plain.answers()
    assert plain.recording.frames == late.recording.frames
    fast = run(unit(), drifts=FAST, lasts_ms=3000)
    right = run(unit(), lasts_ms=3000)
    ends = [[r.end_ns for r in ran.recording.frames] for ran in (right, fast)]
    ahead_us = [(one - other) / US for one, other in zip(*ends, strict=False)]
    due_us = ends[0][-1] / US - 20_000  # the program starts at 20 ms
    assert ahead_us[-1] == pytest.approx(due_us * (1 - 1 / 1.001), abs=4)  # a bit takes 4 us


def test_timers_and_periods_follow_the_clock_without_adding_up_what_is_rounded():
    seen: list[int] = []

    def start(self):
        self.board.every(MS, lambda: seen.append(self.board.now_ns()))

    run(program(start=start), drifts=333.3, lasts_ms=3000)
    begun_ns = seen[0] - MS
    assert [shown_ns - begun_ns - MS * (k + 1) for k, shown_ns in enumerate(seen)] == pytest.approx(
        [0] * len(seen), abs=1
    )


def test_a_fast_node_is_early_and_a_slow_one_late():
    def noted(drift):
        log: list[float] = []

        def start(self):
            self.board.after(200 * MS, lambda: log.append(self.board.queue.now_ns / US))

        run(program(start=start), drifts=drift)
        (at_us,) = log
        return at_us

    assert noted(None) == 220_000
    assert noted(FAST) == pytest.approx(20_000 + 200_000 / 1.001, abs=0.01)
    assert noted(SLOW) == pytest.approx(20_000 + 200_000 / 0.999, abs=0.01)


def test_a_coroutine_sleeps_by_its_nodes_clock_and_reads_it_as_its_loops_time():
    log: list[tuple[float, float]] = []

    async def work(self):
        loop = asyncio.get_running_loop()
        await asyncio.sleep(0.1)
        log.append((self.board.queue.now_ns / US, loop.time()))
        try:
            async with asyncio.timeout(0.1):
                await asyncio.Event().wait()
        except TimeoutError:
            log.append((self.board.queue.now_ns / US, loop.time()))

    other = program(start=lambda self: self.board.after(250 * MS, lambda: None))
    run(program(run=work), other=other, clocks=65_000 * MS, drifts=FAST)
    (first_us, first_s), (second_us, second_s) = log
    assert first_us == pytest.approx(20_000 + 100_000 / 1.001, abs=0.01)
    assert second_us == pytest.approx(20_000 + 200_000 / 1.001, abs=0.01)
    assert first_s == pytest.approx(65.120020, abs=1e-6)
    assert second_s == pytest.approx(65.220020, abs=1e-6)


def test_a_watchdog_is_as_wrong_as_its_nodes_clock():
    unit = program(start=lambda self: self.board.start_watchdog(100 * MS))
    ran = run(unit, drifts=SLOW, lasts_ms=140)
    (bite_ms,) = [at_ms for at_ms, _, cause in ran.states() if cause == "watchdog"]
    assert bite_ms == pytest.approx(20 + 100 / 0.999, abs=0.001)


def test_messages_sent_periodically_keep_the_clock_and_received_ones_are_stamped_by_it():
    log = Log()

    def beat(self):
        message = can.Message(arbitration_id=life_car.ANSWER, is_extended_id=False)
        self.board.bus.send_periodic(message, 0.1)

    def hear(self, message):
        log.entries.append((message.timestamp, self.board.now_ns() / 1e9))

    unit = program(on_frame=hear)
    ran = run(unit, other=program(start=beat), clocks=65_000 * MS, lasts_ms=300)
    assert len(log.entries) == 3
    assert [stamp for stamp, _ in log.entries] == pytest.approx([now for _, now in log.entries])
    assert log.entries[0][0] > 65
    ran = run(program(start=beat), drifts=FAST, lasts_ms=2000)
    ends = [r.end_ns for r in ran.recording.frames if r.frame.identifier == life_car.ANSWER]
    mean_ns = (ends[-1] - ends[0]) / (len(ends) - 1)
    assert mean_ns == pytest.approx(100 * MS / 1.001, abs=4 * US / 18)  # a bit takes 4 us


@pytest.mark.parametrize(
    ("bits", "unit_ns"), [(16, MS), (32, US), (32, MS)], ids=["16 ms", "32 us", "32 ms"]
)
def test_a_counter_of_few_bits_rolls_over_in_a_case(bits, unit_ns):
    span_ns = unit_ns << bits
    read: list[int] = []

    def start(self):
        self.board.every(10 * MS, lambda: read.append(self.board.now_ns() // unit_ns % 2**bits))

    run(program(start=start), clocks=span_ns - 100 * MS, lasts_ms=200)
    (over,) = [place for place in range(1, len(read)) if read[place] < read[place - 1]]
    assert over == 7  # it begins at 20 ms, and the next sample behind 100 ms is at 110
