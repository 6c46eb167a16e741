"""A queue at the pace of a clock on the wall that the test turns by hand: nothing here waits."""

from __future__ import annotations

import threading

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkloss.clock import EventQueue
from linkloss.clock.pace import LONGEST_LAG_NS, Lateness, Pacer

MS = 1_000_000


class HandTurnedWall:
    """Waits pass at once, or last as long as they should plus ``oversleeps_ns``."""

    def __init__(self) -> None:
        self.real_ns = 5_000_000_000
        self.oversleeps_ns = 0
        self.rings = 0

    def now_ns(self) -> int:
        return self.real_ns

    def wait(self, longest_ns: int) -> None:
        assert longest_ns >= 0
        self.real_ns += longest_ns + self.oversleeps_ns

    def ring(self) -> None:
        self.rings += 1


@pytest.fixture
def wall():
    return HandTurnedWall()


@pytest.fixture
def queue():
    return EventQueue()


@pytest.fixture
def pacer(queue, wall):
    return Pacer(queue, wall=wall)


def ticking(queue, every_ns=10 * MS):
    """The instants of a periodic event, as it runs."""
    ran = []

    def tick():
        ran.append(queue.now_ns)
        queue.after(every_ns, tick)

    queue.at(every_ns, tick)
    return ran


def run_for(pacer, wall, real_ns):
    end_ns = wall.real_ns + real_ns
    while wall.real_ns < end_ns:
        rest_ns = pacer.turn()
        wall.wait(max(0, min(rest_ns, end_ns - wall.real_ns)))
    pacer.turn()


def test_nothing_runs_before_its_time_has_come_on_the_wall(pacer, queue, wall):
    ran = ticking(queue)
    pacer.turn()
    wall.real_ns += 10 * MS - 1
    pacer.turn()
    assert ran == []
    wall.real_ns += 1
    pacer.turn()
    assert ran == [10 * MS]
    assert queue.now_ns == 10 * MS


@pytest.mark.parametrize(("speed", "ticks"), [(0.1, 10), (1.0, 100), (2.5, 250), (10.0, 1000)])
def test_speed_is_virtual_time_for_each_real_second(queue, wall, speed, ticks):
    pacer, ran = Pacer(queue, speed=speed, wall=wall), ticking(queue)
    run_for(pacer, wall, 1_000 * MS)
    assert len(ran) == ticks


@pytest.mark.parametrize("speed", [0.09, 10.1, float("nan"), -1.0])
def test_a_speed_that_makes_no_sense_is_refused(queue, wall, pacer, speed):
    with pytest.raises(ValueError, match=r"expected 0\.1 to 10"):
        Pacer(queue, speed=speed, wall=wall)
    with pytest.raises(ValueError, match=r"expected 0\.1 to 10"):
        pacer.set_speed(speed)


def test_a_new_speed_counts_from_now_on(pacer, queue, wall):
    run_for(pacer, wall, 100 * MS)
    pacer.set_speed(0.5)
    run_for(pacer, wall, 100 * MS)
    pacer.set_speed(4)
    run_for(pacer, wall, 10 * MS)
    assert queue.now_ns == 100 * MS + 50 * MS + 40 * MS


def test_a_pause_takes_no_virtual_time(pacer, queue, wall):
    ran = ticking(queue)
    run_for(pacer, wall, 25 * MS)
    pacer.pause()
    run_for(pacer, wall, 5_000 * MS)
    assert (pacer.paused, queue.now_ns) == (True, 25 * MS)
    pacer.resume()
    run_for(pacer, wall, 5 * MS)
    assert ran == [10 * MS, 20 * MS, 30 * MS]


def test_a_step_goes_to_the_next_instant_at_which_something_happens(pacer, queue, wall):
    ran = ticking(queue)
    pacer.step()
    pacer.turn()
    assert (ran, queue.now_ns, pacer.now_ns()) == ([10 * MS], 10 * MS, 10 * MS)
    pacer.turn()
    assert ran == [10 * MS]
    pacer.step(lambda: len(ran) == 4)
    pacer.turn()
    assert ran == [10 * MS, 20 * MS, 30 * MS, 40 * MS]


def test_a_step_that_finds_nothing_ends(pacer, queue, wall):
    ticking(queue)
    pacer.step(lambda: False)
    pacer.turn()
    assert queue.now_ns == 10_000 * MS


def test_a_stimulus_acts_at_the_instant_at_which_it_came(pacer, queue, wall):
    came = []
    run_for(pacer, wall, 7 * MS)
    wall.real_ns += 123
    stamp_ns = pacer.enter(lambda at_ns: came.append((at_ns, queue.now_ns)))
    assert came == []
    wall.real_ns += 900
    pacer.turn()
    assert came == [(stamp_ns, stamp_ns)]
    assert stamp_ns == 7 * MS + 123


def test_a_stimulus_rings(pacer, wall):
    pacer.enter(lambda at_ns: None)
    assert wall.rings == 1


def test_a_stimulus_acts_before_what_is_due_at_its_instant_and_after_what_was_due_before(
    pacer, queue, wall
):
    order = []
    queue.at(9, order.append, "before")
    queue.at(10, order.append, "at once with it", priority=0)
    wall.real_ns += 10
    assert pacer.enter(lambda at_ns: order.append("stimulus")) == 10
    wall.real_ns += 10
    pacer.turn()
    assert order == ["before", "stimulus", "at once with it"]


def test_no_two_stimuli_share_an_instant_and_none_is_stamped_into_the_past(pacer, queue, wall):
    run_for(pacer, wall, 3 * MS)
    stamps = [pacer.enter(lambda at_ns: None) for _ in range(3)]
    assert stamps == [3 * MS + 1, 3 * MS + 2, 3 * MS + 3]


def test_stimuli_act_during_a_pause_and_nobody_reacts_to_them_yet(pacer, queue, wall):
    came = []
    run_for(pacer, wall, MS)
    pacer.pause()

    def act(at_ns):
        came.append(at_ns)
        queue.after(5, came.append, "reaction")

    pacer.enter(act)
    pacer.turn()
    assert came == [MS + 1]
    pacer.resume()
    run_for(pacer, wall, MS)
    assert came == [MS + 1, "reaction"]


def test_a_scheduled_stimulus_keeps_its_instant_for_itself(pacer, queue, wall):
    came = []
    pacer.schedule(4, lambda at_ns: came.append(("planned", at_ns)))
    pacer.schedule(4, lambda at_ns: came.append(("planned second", at_ns)))
    wall.real_ns += 4
    pacer.enter(lambda at_ns: came.append(("outside", at_ns)))
    wall.real_ns += 4
    pacer.turn()
    assert came == [("planned", 4), ("planned second", 4), ("outside", 5)]
    with pytest.raises(ValueError, match="has passed"):
        pacer.schedule(8, lambda at_ns: None)


def test_lateness_is_the_real_time_from_when_something_was_due(queue, wall):
    pacer = Pacer(queue, speed=0.5, wall=wall)
    queue.at(10 * MS, lambda: None)
    wall.real_ns += 23 * MS  # it was due after 20
    pacer.turn()
    assert pacer.lateness.worst_ns == 3 * MS
    assert pacer.lateness.total == 1


def test_oversleeping_shows(pacer, queue, wall):
    ticking(queue)
    wall.oversleeps_ns = 2 * MS
    run_for(pacer, wall, 1_000 * MS)
    assert 2 * MS <= pacer.lateness.percentile(0.99) <= 2.2 * MS
    assert pacer.given_up_ns == 0


def test_slow_actions_show(pacer, queue, wall):
    def slow():
        wall.real_ns += 6 * MS
        queue.after(10 * MS, slow)

    queue.at(10 * MS, slow)
    run_for(pacer, wall, 1_000 * MS)
    assert 6 * MS <= pacer.lateness.percentile(0.5) <= 6.6 * MS


def test_what_is_too_far_behind_is_given_up_and_said(pacer, queue, wall):
    ran = ticking(queue)
    run_for(pacer, wall, 100 * MS)
    wall.real_ns += 3_600_000 * MS  # the computer slept
    pacer.turn()
    assert queue.now_ns == 100 * MS + LONGEST_LAG_NS
    assert pacer.given_up_ns == 3_600_000 * MS - LONGEST_LAG_NS
    assert len(ran) == queue.now_ns // (10 * MS)
    assert pacer.enter(lambda at_ns: None) == queue.now_ns + 1


def test_a_queue_slower_than_the_wall_clock_never_runs_away_from_its_stimuli(pacer, queue, wall):
    def slow():
        wall.real_ns += 20 * MS
        queue.after(10 * MS, slow)

    queue.at(0, slow)
    run_for(pacer, wall, 2_000 * MS)
    came = []
    stamp_ns = pacer.enter(came.append)
    assert stamp_ns <= queue.now_ns + LONGEST_LAG_NS
    assert pacer.given_up_ns > 0
    run_for(pacer, wall, 2 * LONGEST_LAG_NS + 50 * MS)
    assert came == [stamp_ns]


def test_run_ends_when_told_to(pacer, queue, wall):
    turns = []

    def between():
        turns.append(queue.now_ns)
        if len(turns) == 5:
            pacer.end()

    pacer.run(between)
    assert len(turns) == 5
    assert pacer.ended


def test_an_error_of_an_action_ends_the_run(pacer, queue, wall):
    queue.at(0, lambda: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        pacer.run()


@settings(max_examples=40)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["enter", "turn", "pause", "resume", "slower", "faster", "step"]),
            st.integers(0, 300 * MS),
        ),
        max_size=25,
    )
)
def test_the_same_stimuli_at_their_stamps_on_virtual_time_give_the_same(script):
    """Whatever happens on the wall: a queue that is run up to each stamp in turn sees the same."""
    wall, queue = HandTurnedWall(), EventQueue()
    pacer, seen = Pacer(queue, wall=wall), []

    def world(of_queue, into):
        def tick():
            into.append(("tick", of_queue.now_ns))
            of_queue.after(7 * MS, tick)

        of_queue.at(0, tick)
        return lambda at_ns: (
            into.append(("stimulus", at_ns)),
            of_queue.after(MS, lambda: into.append(("reaction", of_queue.now_ns))),
        )

    stimulus = world(queue, seen)
    stamps = []
    for what, wait_ns in script:
        wall.real_ns += wait_ns
        if what == "enter":
            stamps.append(pacer.enter(stimulus))
        elif what in ("slower", "faster"):
            pacer.set_speed(0.3 if what == "slower" else 3)
        else:
            getattr(pacer, what)()
    pacer.resume()
    run_for(pacer, wall, LONGEST_LAG_NS * 4)
    assert stamps == sorted(set(stamps))

    again, seen_again = EventQueue(), []
    stimulus = world(again, seen_again)
    for stamp_ns in stamps:
        again.run_until(stamp_ns - 1)
        again.now_ns = stamp_ns
        stimulus(stamp_ns)
    again.run_until(queue.now_ns)
    assert seen_again == seen


def test_stimuli_from_many_threads_all_act_once_and_in_order_of_their_stamps(queue):
    pacer, came = Pacer(queue), []
    stamps = [[] for _ in range(4)]

    def outside(own):
        for _ in range(50):
            own.append(pacer.enter(came.append))

    threads = [threading.Thread(target=outside, args=(own,)) for own in stamps]
    for thread in threads:
        thread.start()
    pacer.run(lambda: pacer.end() if len(came) == 200 else None)
    for thread in threads:
        thread.join()
    assert came == sorted(at_ns for own in stamps for at_ns in own)
    assert all(own == sorted(own) for own in stamps)


def test_lateness_tells_no_percentile_too_low():
    lateness = Lateness()
    assert lateness.percentile(0.99) == 0
    for late_us in range(1, 1001):
        lateness.note(late_us * 1000)
    assert 990_000 <= lateness.percentile(0.99) <= 990_000 * 1.1
    assert lateness.percentile(1.0) == lateness.worst_ns == 1_000_000
    assert sum(count for _, count in lateness.bars()) == lateness.total == 1000


@given(st.integers(0, 10**18))
def test_lateness_of_any_size_has_its_place(late_ns):
    lateness = Lateness()
    lateness.note(late_ns)
    bound_ns = lateness.percentile(1)
    assert bound_ns >= late_ns


def test_what_was_due_before_a_change_of_speed_is_as_late_as_it_is_in_real_time(queue, wall):
    """A hundredth of what ran at ten times stands for hours at a tenth."""
    pacer, ran = Pacer(queue, speed=10, wall=wall), ticking(queue)
    run_for(pacer, wall, 50 * MS)
    wall.real_ns += 100 * MS  # the computer does something else
    pacer.set_speed(0.1)
    wall.real_ns += 20 * MS
    pacer.recent = Lateness()
    pacer.turn()
    assert ran[-1] == 1500 * MS
    assert 119 * MS <= pacer.recent.worst_ns <= 120 * MS
    assert pacer.given_up_ns == 0
    run_for(pacer, wall, 100 * MS)
    assert queue.now_ns == 1500 * MS + 12 * MS


def test_a_faster_speed_does_not_make_what_is_late_look_in_time(queue, wall):
    pacer, _ = Pacer(queue, speed=0.1, wall=wall), ticking(queue)
    run_for(pacer, wall, 50 * MS)
    wall.real_ns += 200 * MS
    pacer.set_speed(10)
    pacer.recent = Lateness()
    pacer.turn()
    assert pacer.recent.worst_ns == 150 * MS  # the tick of 10 ms was due after 100 ms


def test_who_is_too_far_behind_at_a_change_of_speed_gives_up_the_same_real_time(queue, wall):
    pacer, ran = Pacer(queue, speed=10, wall=wall), ticking(queue)
    run_for(pacer, wall, 50 * MS)
    wall.real_ns += 900 * MS
    pacer.set_speed(1)
    wall.real_ns += 100 * MS
    pacer.turn()
    assert pacer.given_up_ns == 1000 * MS - LONGEST_LAG_NS
    # Of the last 250 ms, 150 went at ten times and 100 at once.
    assert queue.now_ns == (500 + 1500 + 100) * MS == ran[-1]
    run_for(pacer, wall, 2000 * MS)
    assert queue.now_ns == (2100 + 2000) * MS
    assert pacer.given_up_ns == 1000 * MS - LONGEST_LAG_NS


def test_a_turn_ends_although_more_is_due(queue, wall):
    pacer, turns = Pacer(queue, speed=10, wall=wall), []

    def busy():
        wall.real_ns += 3 * MS  # more than the 1 ms after which the next one is due
        queue.after(10 * MS, busy)

    queue.at(10 * MS, busy)
    wall.real_ns += 200 * MS
    for _ in range(20):
        begun_ns = wall.real_ns
        assert pacer.turn() == 0
        turns.append(wall.real_ns - begun_ns)
    assert max(turns) <= 30 * MS
    assert pacer.given_up_ns > 0
