"""The order of the event queue, by example and against a sorted list."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.clock import EventQueue, Priority


@pytest.fixture
def queue():
    return EventQueue()


def test_earlier_instants_run_first(queue):
    ran = []
    for when_ns in (30, 10, 20):
        queue.at(when_ns, ran.append, when_ns)
    queue.run_until(30)
    assert ran == [10, 20, 30]


def test_one_instant_runs_by_priority_and_then_first_come_first_served(queue):
    ran = []
    for priority in sorted(Priority, reverse=True):
        for turn in range(3):
            queue.at(5, ran.append, (priority, turn), priority=priority)
    queue.run_until(5)
    assert ran == [(priority, turn) for priority in sorted(Priority) for turn in range(3)]


def test_the_default_priority_is_that_of_a_node(queue):
    ran = []
    queue.at(0, ran.append, "arbitration", priority=Priority.ARBITRATION)
    queue.at(0, ran.append, "node by default")
    queue.at(0, ran.append, "bus", priority=Priority.BUS)
    queue.after(0, ran.append, "node by default, relative")
    queue.run_until(0)
    assert ran == ["bus", "node by default", "node by default, relative", "arbitration"]


def test_after_counts_from_the_present_instant(queue):
    seen = []
    queue.at(7, lambda: queue.after(5, lambda: seen.append(queue.now_ns)))
    queue.run_until(100)
    assert seen == [12]


def test_an_action_in_the_past_is_due_at_once_and_the_clock_never_goes_back(queue):
    queue.run_until(50)
    seen = []
    queue.at(20, lambda: seen.append(queue.now_ns))
    assert queue.step()
    assert seen == [50]
    assert queue.now_ns == 50


def test_run_until_includes_its_end_and_leaves_the_clock_there(queue):
    ran = []
    for when_ns in (9, 10, 11):
        queue.at(when_ns, ran.append, when_ns)
    queue.run_until(10)
    assert ran == [9, 10]
    assert queue.now_ns == 10
    queue.run_until(10)
    assert ran == [9, 10]
    queue.run_until(500)
    assert ran == [9, 10, 11]
    assert queue.now_ns == 500


def test_run_until_runs_what_its_last_instant_schedules_for_itself(queue):
    ran = []
    queue.at(10, lambda: queue.after(0, ran.append, "same instant"))
    queue.at(10, lambda: queue.after(1, ran.append, "one later"))
    queue.run_until(10)
    assert ran == ["same instant"]


def test_run_until_an_earlier_instant_changes_nothing(queue):
    queue.run_until(10)
    queue.at(10, pytest.fail, "must not run")
    queue.run_until(5)
    assert queue.now_ns == 10


def test_run_runs_everything_and_leaves_the_clock_at_the_last_action(queue):
    ran = []
    queue.at(3, lambda: queue.after(4, ran.append, "chained"))
    queue.at(1, ran.append, "first")
    queue.run()
    assert ran == ["first", "chained"]
    assert queue.now_ns == 7


def test_step_runs_one_action_and_says_whether_there_was_one(queue):
    ran = []
    queue.at(4, ran.append, "a")
    queue.at(4, ran.append, "b")
    assert queue.step()
    assert ran == ["a"]
    assert queue.step()
    assert not queue.step()
    assert ran == ["a", "b"]


def test_an_exception_of_an_action_passes_and_the_rest_stays_scheduled(queue):
    ran = []
    queue.at(1, lambda: 1 // 0)
    queue.at(2, ran.append, "later")
    with pytest.raises(ZeroDivisionError):
        queue.run_until(5)
    assert queue.now_ns == 1
    queue.run_until(5)
    assert ran == ["later"]


def test_a_cancelled_action_does_not_run_and_is_not_the_next_one(queue):
    event = queue.at(3, pytest.fail, "must not run")
    queue.at(8, int)
    queue.cancel(event)
    assert queue.next_ns() == 8
    queue.run()
    assert queue.next_ns() is None
    assert queue.now_ns == 8


def test_only_cancelled_actions_leave_the_clock_alone(queue):
    queue.cancel(queue.at(3, pytest.fail, "must not run"))
    queue.run()
    assert queue.now_ns == 0
    assert not queue.step()


def test_an_action_can_cancel_another_of_its_own_instant(queue):
    ran = []
    queue.at(1, lambda: queue.cancel(second))
    second = queue.at(1, pytest.fail, "must not run")
    queue.at(1, ran.append, "third")
    queue.run()
    assert ran == ["third"]


def test_many_cancelled_actions_are_swept_out_while_the_queue_runs(queue):
    ran = []
    events = [queue.at(1000 + number, ran.append, number) for number in range(1000)]

    def cancel_most():
        for event in events[:990]:
            queue.cancel(event)
        # Held back for ever they would fill the memory of a long run with dead timers.
        assert len(queue._heap) < 150

    queue.at(1, cancel_most)
    queue.run()
    assert ran == list(range(990, 1000))
    assert not queue._cancelled


def test_scheduled_lists_what_is_still_to_come(queue):
    kept = queue.at(2, int)
    queue.cancel(queue.at(1, int))
    assert queue.scheduled() == [kept]
    queue.run()
    assert queue.scheduled() == []


def test_two_queues_do_not_share_their_numbers():
    first, second = EventQueue(), EventQueue()
    first.at(0, int)
    assert first.at(0, int)[2] == 2
    assert second.at(0, int)[2] == 1


_ACTIONS = st.lists(
    st.tuples(
        st.integers(min_value=0, max_value=20),
        st.sampled_from(list(Priority)),
        st.booleans(),
    ),
    max_size=150,
)


@given(actions=_ACTIONS, stops_ns=st.lists(st.integers(min_value=0, max_value=25), max_size=5))
def test_the_queue_runs_as_a_stably_sorted_list_would(actions, stops_ns):
    queue = EventQueue()
    ran = []
    events = [
        queue.at(when_ns, ran.append, number, priority=priority)
        for number, (when_ns, priority, _) in enumerate(actions)
    ]
    for event, (_, _, cancelled) in zip(events, actions, strict=True):
        if cancelled:
            queue.cancel(event)
    kept = [
        (when_ns, priority, number)
        for number, (when_ns, priority, cancelled) in enumerate(actions)
        if not cancelled
    ]
    for end_ns in [*sorted(stops_ns), 20]:
        queue.run_until(end_ns)
        assert ran == [number for when_ns, _, number in sorted(kept) if when_ns <= queue.now_ns]
    assert len(ran) == len(kept)
