"""Who drives the virtual loop, and what it says when everybody waits for ever."""

from __future__ import annotations

import asyncio
import gc
import re
import sys

import pytest

from linkloss.clock import NS_PER_S, DeadlockError, VirtualLoop


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


# Driven by somebody else


def test_whoever_drives_the_queue_inside_running_drives_the_coroutines(loop):
    seen = []

    async def node():
        while True:
            seen.append((loop.queue.now_ns, asyncio.get_running_loop() is loop))
            await asyncio.sleep(0.010)

    task = loop.create_task(node())
    with loop.running():
        assert loop.is_running()
        loop.queue.run_until(10_000_000)
        assert seen == [(0, True), (10_000_000, True)]
    assert not loop.is_running()
    assert asyncio._get_running_loop() is None
    with loop.running():
        loop.queue.run_until(25_000_000)
    assert len(seen) == 3
    assert loop.queue.now_ns == 25_000_000
    task.cancel()


def test_an_idle_loop_does_not_hold_up_an_outside_drive(loop):
    async def wait_for_ever():
        await loop.create_future()

    task = loop.create_task(wait_for_ever())
    with loop.running():
        loop.queue.run_until(NS_PER_S)
    assert not task.done()
    assert loop.queue.now_ns == NS_PER_S
    task.cancel()


def test_driving_the_queue_outside_the_loop_is_refused_with_the_right_call(loop):
    task = loop.create_task(asyncio.sleep(0))
    with pytest.raises(RuntimeError, match=r"right: with loop\.running\(\): loop\.queue\.run"):
        loop.queue.run_until(1)
    with loop.running():
        loop.queue.run_until(1)
    assert task.done()


def test_stop_is_refused_while_somebody_else_drives(loop):
    async def node():
        with pytest.raises(RuntimeError, match="somebody else drives the queue"):
            loop.stop()
        return "refused"

    task = loop.create_task(node())
    with loop.running():
        loop.queue.run_until(1)
    assert task.result() == "refused"


def test_running_refuses_a_second_loop_a_second_time_and_a_closed_loop(loop):
    other = VirtualLoop()
    with loop.running():
        with pytest.raises(RuntimeError, match="already running"), loop.running():
            pass
        with pytest.raises(RuntimeError, match="another loop"), other.running():
            pass
        with pytest.raises(RuntimeError, match="running event loop"):
            loop.close()
    other.close()
    with pytest.raises(RuntimeError, match="closed"), other.running():
        pass


def test_running_restores_the_interpreters_hooks_after_an_error(loop):
    before = sys.get_asyncgen_hooks()
    loop.set_debug(True)
    depth = sys.get_coroutine_origin_tracking_depth()
    inside = []

    def fail():
        inside.append((sys.get_coroutine_origin_tracking_depth(), sys.get_asyncgen_hooks()))
        _ = 1 // 0

    loop.queue.at(0, fail)
    with pytest.raises(ZeroDivisionError), loop.running():
        loop.queue.run_until(1)
    assert inside[0][0] > 0
    assert inside[0][1] != before
    assert sys.get_asyncgen_hooks() == before
    assert sys.get_coroutine_origin_tracking_depth() == depth
    assert not loop.is_running()


def test_a_failing_plain_callback_ends_the_run_and_the_rest_can_go_on(loop):
    ran = []
    task = loop.create_task(asyncio.sleep(2))
    loop.queue.at(NS_PER_S, lambda: (loop.call_soon(ran.append, "ready"), 1 // 0))
    with pytest.raises(ZeroDivisionError):
        loop.run_until_complete(task)
    assert loop.queue.now_ns == NS_PER_S
    loop.run_until_complete(task)
    assert ran == ["ready"]


def test_a_keyboard_interrupt_leaves_the_rest_of_the_line_for_the_next_run(loop):
    ran = []

    def interrupt():
        raise KeyboardInterrupt

    loop.call_soon(interrupt)
    loop.call_soon(ran.append, "next in line")
    with pytest.raises(KeyboardInterrupt):
        loop.run_forever()
    assert ran == []
    loop.run_until_complete(asyncio.sleep(0))
    assert ran == ["next in line"]


def test_stop_called_by_a_timer_lets_the_other_timers_of_the_instant_run(loop):
    ran = []
    loop.call_later(1, lambda: (loop.call_soon(ran.append, "ready"), loop.stop()))
    loop.call_later(1, ran.append, "same instant")
    loop.call_later(2, ran.append, "later")
    loop.run_forever()
    assert ran == ["same instant"]
    assert loop.queue.now_ns == NS_PER_S
    loop.run_until_complete(asyncio.sleep(3))
    assert ran == ["same instant", "ready", "later"]


# Deadlock


async def _read_for_ever(queue):
    await queue.get()


def _line_of(coroutine_function):
    return coroutine_function.__code__.co_firstlineno + 1


def test_a_deadlock_names_the_waiting_tasks_with_their_places(loop):
    async def wait_for_ever():
        await asyncio.sleep(1.25)
        await loop.create_future()

    async def main():
        writer = loop.create_task(wait_for_ever(), name="writer")
        reader = loop.create_task(_read_for_ever(asyncio.Queue()), name="reader")
        await asyncio.gather(reader, writer)

    line = _line_of(main) + 2
    with pytest.raises(DeadlockError) as caught:
        loop.run_until_complete(main())
    assert caught.value.now_ns == 1_250_000_000
    assert str(caught.value) == (
        f"nothing is ready and nothing is due at 1.250 s: 3 tasks wait for ever: "
        f"'Task-1' in {main.__qualname__} (test_loop_driving.py:{line}), "
        f"'reader' in _read_for_ever (test_loop_driving.py:{_line_of(_read_for_ever)}, "
        f"waiting in Queue.get), "
        f"'writer' in {wait_for_ever.__qualname__} "
        f"(test_loop_driving.py:{_line_of(wait_for_ever) + 1})"
    )


def test_a_deadlock_names_the_innermost_line_of_ones_own_code(loop):
    async def inner():
        await loop.create_future()

    async def outer():
        await inner()

    with pytest.raises(
        DeadlockError, match=rf"1 task waits .*test_loop_driving\.py:{_line_of(inner)}\)"
    ):
        loop.run_until_complete(outer())


@pytest.mark.parametrize(
    ("now_ns", "text"),
    [(0, "0.000 s"), (1, "0.000000001 s"), (1_500_000_000, "1.500 s"), (12_345_678, "0.012345678")],
)
def test_a_deadlock_without_tasks_tells_the_instant_and_what_is_missing(loop, now_ns, text):
    loop.queue.run_until(now_ns)
    with pytest.raises(DeadlockError, match=re.escape(text)) as caught:
        loop.run_forever()
    assert "no task is left and nobody called stop()" in str(caught.value)


def test_after_a_deadlock_the_runner_cancels_and_closes_cleanly():
    cleaned = []

    async def wait_for_ever():
        try:
            await asyncio.get_running_loop().create_future()
        finally:
            await asyncio.sleep(1)
            cleaned.append(asyncio.get_running_loop().queue.now_ns)

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        loop = runner.get_loop()
        with pytest.raises(DeadlockError):
            runner.run(wait_for_ever())
    assert cleaned == [NS_PER_S]
    assert loop.is_closed()


def test_a_task_that_ignores_its_cancellation_cannot_make_the_runner_hang():
    async def stubborn():
        loop = asyncio.get_running_loop()
        try:
            await loop.create_future()
        except asyncio.CancelledError:
            await loop.create_future()

    runner = asyncio.Runner(loop_factory=VirtualLoop)
    with pytest.raises(DeadlockError):
        runner.run(stubborn())
    loop = runner.get_loop()
    with pytest.raises(DeadlockError, match="stubborn"):
        runner.close()
    assert loop.is_closed()
    for task in asyncio.all_tasks(loop):
        task._log_destroy_pending = False
    gc.collect()
