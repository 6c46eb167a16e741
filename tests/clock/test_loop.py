"""The virtual loop's clock, and the one order of callbacks and coroutines."""

from __future__ import annotations

import asyncio
import math

import pytest

from linkloss.clock import NS_PER_S, DeadlockError, EventQueue, Priority, VirtualLoop


@pytest.fixture
def loop():
    loop = VirtualLoop()
    yield loop
    if not loop.is_closed():
        for task in asyncio.all_tasks(loop):
            task.cancel()
        loop.call_soon(loop.stop)
        loop.run_forever()
        loop.close()


async def _together(*coroutines):
    return await asyncio.gather(*coroutines)


# The clock


def test_a_year_passes_at_once_and_exactly(loop):
    year_s = 365 * 24 * 3600
    loop.run_until_complete(asyncio.sleep(year_s))
    assert loop.queue.now_ns == year_s * NS_PER_S
    assert loop.time() == year_s


@pytest.mark.parametrize(
    ("delay", "delay_ns"),
    [(1e-9, 1), (1.4e-9, 1), (1.6e-9, 2), (0.1, 100_000_000), (0.0123456789, 12_345_679)],
)
def test_delays_are_rounded_to_whole_nanoseconds(loop, delay, delay_ns):
    loop.queue.run_until(7)
    seen = []
    loop.call_later(delay, lambda: (seen.append(loop.queue.now_ns), loop.stop()))
    loop.run_forever()
    assert seen == [7 + delay_ns]


def test_a_hundred_thousand_short_sleeps_add_up_without_drift(loop):
    async def sleeper():
        for _ in range(100_000):
            await asyncio.sleep(0.0001)

    loop.run_until_complete(sleeper())
    assert loop.queue.now_ns == 10 * NS_PER_S


def test_call_at_the_present_instant_and_the_next_nanosecond_are_told_apart(loop):
    loop.queue.run_until(25 * 24 * 3600 * NS_PER_S + 1)
    now = loop.queue.now_ns
    seen = []
    loop.call_at((now + 1) / NS_PER_S, lambda: (seen.append(loop.queue.now_ns), loop.stop()))
    loop.call_at(loop.time(), lambda: seen.append(loop.queue.now_ns))
    loop.run_forever()
    assert seen == [now, now + 1]


def test_timers_for_one_instant_run_first_come_first_served(loop):
    ran = []
    for number in range(50):
        if number % 2:
            loop.call_later(0.25, ran.append, number)
        else:
            loop.call_at(0.25, ran.append, number)
    loop.run_until_complete(asyncio.sleep(1))
    assert ran == list(range(50))


def test_overdue_timers_run_by_instant_and_then_first_come_first_served(loop):
    loop.queue.run_until(NS_PER_S)
    ran = []
    for when in (0.9, 0.5, 0.9, 0.5):
        loop.call_at(when, ran.append, (when, len(ran)))
    loop.run_until_complete(asyncio.sleep(0.001))
    assert [when for when, _ in ran] == [0.5, 0.5, 0.9, 0.9]


def test_a_timer_tells_its_instant_before_and_after_it_ran(loop):
    handle = loop.call_later(0.5, int)
    assert handle.when() == 0.5
    loop.run_until_complete(asyncio.sleep(1))
    assert handle.when() == 0.5
    assert not handle.cancelled()
    assert isinstance(handle, asyncio.TimerHandle)


@pytest.mark.parametrize("method", ["call_later", "call_at"])
def test_a_timer_at_infinity_never_comes_due(loop, method):
    handle = getattr(loop, method)(math.inf, pytest.fail, "must not run")
    assert handle.when() == math.inf
    with pytest.raises(DeadlockError):
        loop.run_forever()
    handle.cancel()
    assert handle.cancelled()


@pytest.mark.parametrize("method", ["call_later", "call_at"])
@pytest.mark.parametrize(
    ("seconds", "error"), [(None, TypeError), ("1", TypeError), (math.nan, ValueError)]
)
def test_a_time_that_is_no_number_is_refused(loop, method, seconds, error):
    with pytest.raises(error, match=r"a time is a .*, got "):
        getattr(loop, method)(seconds, int)


def test_a_cancelled_timer_leaves_the_queue_and_does_not_move_the_clock(loop):
    handle = loop.call_later(5, pytest.fail, "must not run")
    handle.cancel()
    handle.cancel()
    assert handle.cancelled()
    assert loop.queue.next_ns() is None
    loop.run_until_complete(asyncio.sleep(1))
    assert loop.queue.now_ns == NS_PER_S


def test_cancelling_a_timer_that_has_run_leaves_no_trace_on_the_queue(loop):
    loop.run_until_complete(_together(*[asyncio.sleep(0.001) for _ in range(500)]))
    assert not loop.queue._cancelled
    assert loop.queue.scheduled() == []


# One order for callbacks and coroutines


def test_arbitration_comes_after_all_coroutine_work_of_its_instant(loop):
    ran = []

    async def node(name):
        await asyncio.sleep(0.001)
        for step in range(5):
            ran.append((name, step))
            await asyncio.sleep(0)

    queue = loop.queue
    queue.at(1_000_000, ran.append, "arbitration", priority=Priority.ARBITRATION)
    queue.at(1_000_000, ran.append, "bus", priority=Priority.BUS)
    queue.at(1_000_000, ran.append, "stimulus", priority=Priority.STIMULUS)
    loop.run_until_complete(_together(node("a"), node("b")))
    queue.run_until(1_000_000)
    assert ran[:2] == ["stimulus", "bus"]
    assert ran[2:-1] == [(name, step) for step in range(5) for name in "ab"]
    assert ran[-1] == "arbitration"


def test_a_frame_handed_over_by_the_bus_is_answered_before_arbitration(loop):
    ran = []
    inbox = asyncio.Queue()

    async def node():
        frame = await inbox.get()
        ran.append((frame, loop.queue.now_ns))
        loop.queue.after(0, ran.append, "arbitration", priority=Priority.ARBITRATION)
        await asyncio.sleep(0)
        ran.append("still the node")

    loop.queue.at(500, inbox.put_nowait, "frame", priority=Priority.BUS)
    loop.run_until_complete(node())
    loop.queue.run()
    assert ran == [("frame", 500), "still the node", "arbitration"]


def test_callbacks_of_the_queue_and_of_the_loop_keep_their_common_order(loop):
    ran = []

    def first():
        loop.call_soon(ran.append, "ready 1")
        loop.queue.after(0, ran.append, "plain 1")
        loop.call_soon(ran.append, "ready 2")
        loop.queue.after(0, ran.append, "plain 2")

    loop.queue.at(10, first)
    loop.run_until_complete(asyncio.sleep(0.001))
    # All that is ready runs in one drain, which stands where the first of them was made ready.
    assert ran == ["ready 1", "ready 2", "plain 1", "plain 2"]


def test_two_timers_of_one_instant_run_before_what_the_first_made_ready(loop):
    ran = []
    loop.call_later(0.1, lambda: (ran.append("timer 1"), loop.call_soon(ran.append, "ready")))
    loop.call_later(0.1, ran.append, "timer 2")
    loop.run_until_complete(asyncio.sleep(1))
    assert ran == ["timer 1", "timer 2", "ready"]


def test_two_loops_on_one_queue_share_one_order():
    queue = EventQueue()
    ran = []
    one, other = VirtualLoop(queue), VirtualLoop(queue)
    one.call_later(0.2, ran.append, "one")
    with other.running():
        other.call_later(0.1, ran.append, "other")
        queue.run_until(NS_PER_S)
    assert ran == ["other", "one"]
    one.close()
    other.close()


def _trace(loop):
    trace = []

    async def node(name, period):
        for _ in range(20):
            await asyncio.sleep(period)
            trace.append((loop.queue.now_ns, name, asyncio.current_task().get_name()))

    loop.run_until_complete(_together(node("a", 0.01), node("b", 0.02), node("c", 0.01)))
    return trace


def test_two_runs_in_one_process_are_alike_to_the_names_of_their_tasks():
    traces = []
    for _ in range(2):
        loop = VirtualLoop()
        traces.append(_trace(loop))
        loop.close()
    assert traces[0] == traces[1]
    assert traces[0][0] == (10_000_000, "a", "Task-2")
