"""The virtual loop against asyncio's own: one program, two loops, the same list of events.

Each scenario is a coroutine function (or a plain one that drives the loop itself) that writes to a
log. Its docstring names the documented behaviour (Python library reference, asyncio). What decides
the order is all asyncio's own. Only its clock is another, which no late machine moves: where the
loop would sleep until a timer, the clock is put forward.
"""

from __future__ import annotations

import asyncio
import contextvars
import inspect
import logging
import selectors
import sys

import pytest

from linkloss.clock import VirtualLoop

TICK = 0.002
SCENARIOS = []


class ReferenceLoop(asyncio.SelectorEventLoop):
    """asyncio's loop on a clock that moves only while the loop would sleep."""

    def __init__(self):
        self.now = 0.0
        super().__init__(Skipping(self))

    def time(self):
        return self.now


class Skipping(selectors.DefaultSelector):
    """Does not wait for a timer; for another thread it does."""

    def __init__(self, loop):
        super().__init__()
        self.loop = loop

    def select(self, timeout=None):
        if timeout is None:
            return super().select()
        events = super().select(0)
        if not events:
            self.loop.now += max(timeout, 0.0)
        return events


def scenario(function):
    SCENARIOS.append(function)
    return function


def _run(scenario_function, loop_factory):
    log = []
    if inspect.iscoroutinefunction(scenario_function):
        with asyncio.Runner(loop_factory=loop_factory) as runner:
            runner.run(scenario_function(log.append))
    else:
        loop = loop_factory()
        try:
            scenario_function(loop, log.append)
        finally:
            loop.close()
    return log


@pytest.mark.parametrize("scenario_function", SCENARIOS, ids=lambda function: function.__name__)
def test_both_loops_write_the_same_log(scenario_function):
    theirs = _run(scenario_function, ReferenceLoop)
    assert len(theirs) >= 2, "a scenario that logs nothing proves nothing"
    assert _run(scenario_function, VirtualLoop) == theirs


def _loop():
    return asyncio.get_running_loop()


async def _child(note, name, ticks, error=None):
    try:
        await asyncio.sleep(ticks * TICK)
        note(f"{name} slept")
        if error is not None:
            raise error
    except asyncio.CancelledError:
        note(f"{name} cancelled")
        raise
    return name


# Scheduling callbacks


@scenario
async def call_soon_order(note):
    """Event Loop, call_soon: callbacks are called in the order in which they are registered."""
    for number in range(5):
        _loop().call_soon(note, number)
    note("registered")
    await asyncio.sleep(0)
    note("all ran")


@scenario
async def call_soon_within_a_callback(note):
    """Event Loop, call_soon: the callback is called at the next iteration of the loop."""

    def outer(name):
        note(name)
        _loop().call_soon(note, f"{name} inner")

    _loop().call_soon(outer, "a")
    _loop().call_soon(outer, "b")
    await asyncio.sleep(0)
    note("one iteration")
    await asyncio.sleep(0)
    note("two iterations")


@scenario
async def call_later_zero_after_call_soon(note):
    """Event Loop, call_later and call_soon: a due timer joins the end of the next iteration."""
    loop = _loop()
    loop.call_later(0, note, "later 0")
    loop.call_at(loop.time() - 1, note, "past")
    loop.call_soon(note, "soon 1")
    loop.call_soon(lambda: (note("soon 2"), loop.call_soon(note, "soon 2 inner")))
    for _ in range(3):
        await asyncio.sleep(0)
        note("iteration")


@scenario
async def call_later_zero_from_a_timer(note):
    """Event Loop, call_later: due timers made by timers follow what those made ready."""
    loop = _loop()

    def timer():
        note("timer")
        loop.call_later(0, note, "due")
        loop.call_soon(note, "ready")

    loop.call_later(TICK, timer)
    await asyncio.sleep(3 * TICK)
    note("end")


@scenario
async def timers_run_by_instant(note):
    """Event Loop, call_later: a callback is called after its delay, the shorter delay first."""
    loop = _loop()
    for ticks in (3, 1, 2):
        loop.call_later(ticks * TICK, note, ticks)
    note("scheduled")
    await asyncio.sleep(5 * TICK)


@scenario
async def cancelled_handles(note):
    """Event Loop, Handle.cancel: a cancelled callback is not called; cancelling twice is no-op."""
    loop = _loop()
    handles = [loop.call_soon(note, "soon"), loop.call_later(TICK, note, "later")]
    due = loop.call_later(0, note, "due")
    for handle in [*handles, due, due]:
        handle.cancel()
    await asyncio.sleep(2 * TICK)
    note([handle.cancelled() for handle in handles])
    ran = loop.call_soon(note, "ran")
    await asyncio.sleep(0)
    note(ran.cancelled())


@scenario
async def a_callback_cancels_the_next(note):
    """Event Loop, Handle.cancel: a callback already in line can still be taken back."""
    loop = _loop()
    loop.call_soon(lambda: note(victim.cancel()))
    victim = loop.call_soon(note, "must not run")
    loop.call_soon(note, "third")
    await asyncio.sleep(0)
    note("end")


@scenario
async def exceptions_in_callbacks(note):
    """Event Loop, Error Handling API: the handler gets the context and the loop goes on."""

    def handler(loop, context):
        note((sorted(context), type(context["exception"]).__name__))

    _loop().set_exception_handler(handler)
    note(_loop().get_exception_handler() is handler)
    _loop().call_soon(lambda: 1 // 0)
    _loop().call_later(TICK, lambda: {}[1])
    _loop().call_soon(note, "next callback")
    await asyncio.sleep(3 * TICK)
    _loop().set_exception_handler(None)
    note(_loop().get_exception_handler())


@scenario
async def an_exception_nobody_retrieved(note):
    """Developing with asyncio: a task's never-retrieved exception goes to the handler."""

    async def fail():
        raise ValueError("lost")

    _loop().set_exception_handler(lambda loop, context: note(context["message"]))
    task = _loop().create_task(fail())
    await asyncio.sleep(0)
    note(task.done())
    del task
    await asyncio.sleep(0)
    note("end")


@scenario
async def context_of_a_callback(note):
    """Event Loop, call_soon(context=): the callback runs in the given or a copied context."""
    variable = contextvars.ContextVar("variable", default="unset")
    empty = contextvars.Context()
    variable.set("before")
    _loop().call_soon(lambda: note(variable.get()))
    _loop().call_soon(lambda: note(variable.get()), context=empty)
    _loop().call_later(TICK, lambda: (note(variable.get()), variable.set("by timer")))
    _loop().call_later(0, lambda: variable.set("in empty"), context=empty)
    variable.set("after")
    await asyncio.sleep(3 * TICK)
    note((variable.get(), empty[variable]))


@scenario
async def context_of_a_task(note):
    """Tasks, create_task(context=): a task runs in a copy of the context or in the given one."""
    variable = contextvars.ContextVar("variable")

    async def child(value):
        before = variable.get("unset")
        variable.set(value)
        await asyncio.sleep(0)
        note((before, variable.get()))

    variable.set("parent")
    own = contextvars.Context()
    await asyncio.gather(child("a"), child("b"))
    await _loop().create_task(child("c"), context=own)
    note((variable.get(), own[variable]))


# Running and stopping


@scenario
def stop_before_running(loop, note):
    """Event Loop, stop: called before run_forever, the ready callbacks run once."""
    loop.call_soon(lambda: (note("ready"), loop.call_soon(note, "scheduled by it")))
    loop.call_later(0, note, "due")
    loop.stop()
    loop.run_forever()
    note("stopped")
    loop.stop()
    loop.run_forever()
    note("stopped again")


@scenario
def stop_within_a_callback(loop, note):
    """Event Loop, stop: the current batch of callbacks runs, what it schedules does not."""
    loop.call_soon(lambda: (note("a"), loop.stop(), loop.call_soon(note, "next run")))
    loop.call_soon(note, "b")
    loop.run_forever()
    note(("stopped", loop.is_running()))
    loop.call_soon(loop.stop)
    loop.run_forever()


@scenario
def stop_within_a_timer(loop, note):
    """Event Loop, stop: a timer stops the loop before what it made ready."""
    loop.call_later(TICK, lambda: (note("timer"), loop.call_soon(note, "next run"), loop.stop()))
    loop.run_forever()
    note("stopped")
    loop.call_soon(loop.stop)
    loop.run_forever()


@scenario
def run_until_complete_outcomes(loop, note):
    """Event Loop, run_until_complete: returns the result or raises the exception."""

    async def outcome(error):
        await asyncio.sleep(0)
        if error is not None:
            raise error
        return "result"

    note(loop.run_until_complete(outcome(None)))
    for error in (ValueError("failed"), asyncio.CancelledError("cancelled"), SystemExit(3)):
        try:
            loop.run_until_complete(outcome(error))
        except BaseException as caught:
            note(repr(caught))
    future = loop.create_future()
    future.set_exception(KeyError("done before"))
    try:
        loop.run_until_complete(future)
    except KeyError as caught:
        note(repr(caught))
    note(loop.run_until_complete(asyncio.sleep(0, "runs again")))


@scenario
def stopped_before_completion(loop, note):
    """Event Loop, run_until_complete: RuntimeError when stopped before the future is done."""
    future = loop.create_future()
    loop.call_soon(loop.stop)
    try:
        loop.run_until_complete(future)
    except RuntimeError as caught:
        note(str(caught))
    loop.call_soon(future.set_result, "late")
    note(loop.run_until_complete(future))


@scenario
async def running_twice(note):
    """Event Loop, run_until_complete: neither this loop nor another may start while one runs."""
    other = type(_loop())()
    waited = _loop().create_future()
    for loop in (_loop(), other):
        try:
            loop.run_until_complete(waited)
        except RuntimeError as caught:
            note(str(caught))
    other.close()


@scenario
def closed_loop(loop, note):
    """Event Loop, close: idempotent; a closed loop accepts nothing; a running one stays open."""

    async def close():
        loop.close()

    try:
        loop.run_until_complete(close())
    except RuntimeError as caught:
        note(str(caught))
    loop.close()
    loop.close()
    note(loop.is_closed())
    for method in (loop.call_soon, lambda f: loop.call_later(1, f), lambda f: loop.call_at(1, f)):
        try:
            method(int)
        except RuntimeError as caught:
            note(str(caught))


# Cancellation


@scenario
async def cancelled_before_start(note):
    """Tasks, Task.cancel: a task cancelled before its first step never runs."""
    task = _loop().create_task(_child(note, "a", 0))
    note(task.cancel("because"))
    try:
        await task
    except asyncio.CancelledError as caught:
        note(("awaiter", caught.args))
    note((task.cancelled(), task.done()))


@scenario
async def cancelled_while_sleeping(note):
    """Tasks, Task.cancel: CancelledError is thrown into the coroutine at the next iteration."""
    task = _loop().create_task(_child(note, "a", 500))
    await asyncio.sleep(0)
    task.cancel()
    note((task.done(), task.cancelling()))
    await asyncio.wait([task])
    note(task.cancelled())


@scenario
async def cancellation_swallowed(note):
    """Tasks, Task.cancel and uncancel: a task may suppress its cancellation and go on."""

    async def stubborn():
        try:
            await asyncio.sleep(500 * TICK)
        except asyncio.CancelledError:
            note(asyncio.current_task().uncancel())
        await asyncio.sleep(TICK)
        return "went on"

    task = _loop().create_task(stubborn())
    await asyncio.sleep(0)
    task.cancel()
    note(await task)
    note((task.cancelled(), task.cancelling()))


@scenario
async def shielded_from_cancellation(note):
    """Tasks, shield: the outer await is cancelled, the inner task runs on."""
    inner = _loop().create_task(_child(note, "inner", 2))

    async def outer():
        await asyncio.shield(inner)

    task = _loop().create_task(outer())
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.wait([task])
    note(("outer cancelled", task.cancelled(), inner.done()))
    note(await inner)


@scenario
async def sleep_zero_lets_others_run(note):
    """Tasks, sleep: sleep(0) lets other tasks run once."""

    async def counter(name):
        for step in range(3):
            note((name, step))
            await asyncio.sleep(0)

    await asyncio.gather(*[counter(name) for name in "abc"])
    note(await asyncio.sleep(0, "result of sleep"))


# Waiting for several


@scenario
async def gather_results_in_order(note):
    """Tasks, gather: results stand in the order of the awaitables, whatever finishes first."""
    note(await asyncio.gather(_child(note, "a", 3), _child(note, "b", 1), _child(note, "c", 2)))


@scenario
async def gather_with_a_failure(note):
    """Tasks, gather: the first exception propagates, the others continue to run."""
    survivor = _loop().create_task(_child(note, "survivor", 3))
    try:
        await asyncio.gather(survivor, _child(note, "failing", 1, ValueError("b")))
    except ValueError as caught:
        note((repr(caught), survivor.done()))
    note(await survivor)


@scenario
async def gather_return_exceptions(note):
    """Tasks, gather(return_exceptions=True): exceptions are results like any other."""
    results = await asyncio.gather(
        _child(note, "a", 2, ValueError("a")),
        _child(note, "b", 1, asyncio.CancelledError()),
        _child(note, "c", 0),
        return_exceptions=True,
    )
    note([repr(result) for result in results])


@scenario
async def gather_cancelled(note):
    """Tasks, gather: when gather is cancelled, all its awaitables are."""
    both = asyncio.gather(_child(note, "a", 500), _child(note, "b", 500))
    await asyncio.sleep(0)
    both.cancel()
    try:
        await both
    except asyncio.CancelledError:
        note("gather cancelled")


@scenario
async def wait_first_completed(note):
    """Tasks, wait(FIRST_COMPLETED, FIRST_EXCEPTION, ALL_COMPLETED, timeout=)."""
    tasks = [
        _loop().create_task(_child(note, name, ticks, error), name=name)
        for name, ticks, error in (("a", 6, None), ("b", 1, None), ("c", 3, KeyError("c")))
    ]

    async def waited(**options):
        done, pending = await asyncio.wait(tasks, **options)
        note([sorted(task.get_name() for task in part) for part in (done, pending)])

    await waited(return_when=asyncio.FIRST_COMPLETED)
    await waited(timeout=0)
    await waited(return_when=asyncio.FIRST_EXCEPTION)
    await waited()


@scenario
async def as_completed_order(note):
    """Tasks, as_completed: awaitables come out in the order of their completion."""
    children = [_child(note, name, ticks) for name, ticks in (("a", 5), ("b", 1), ("c", 3))]
    for earliest in asyncio.as_completed(children):
        note(await earliest)


@scenario
async def wait_for_and_its_timeout(note):
    """Tasks, wait_for: returns the result, or cancels the task and raises TimeoutError."""
    note(await asyncio.wait_for(_child(note, "fast", 1), timeout=500 * TICK))
    try:
        await asyncio.wait_for(_child(note, "slow", 500), timeout=TICK)
    except TimeoutError:
        note("timed out")


# Timeouts and task groups


@scenario
async def timeout_expires(note):
    """Tasks, timeout: the body is cancelled, TimeoutError comes out of the context manager."""
    try:
        async with asyncio.timeout(TICK) as limit:
            await _child(note, "body", 500)
    except TimeoutError:
        note((limit.expired(), asyncio.current_task().cancelling()))


@scenario
async def timeout_not_reached_or_moved(note):
    """Tasks, timeout_at, Timeout.reschedule and timeout(None)."""
    loop = _loop()
    async with asyncio.timeout(TICK) as limit:
        limit.reschedule(loop.time() + 500 * TICK)
        note(await _child(note, "a", 3))
    note(limit.expired())
    async with asyncio.timeout(None) as limit:
        await asyncio.sleep(0)
        note(limit.when())
    try:
        async with asyncio.timeout_at(loop.time() - 1):
            await asyncio.sleep(0)
            await asyncio.sleep(500 * TICK)
    except TimeoutError:
        note("past deadline")


@scenario
async def timeouts_nested(note):
    """Tasks, timeout: nested timeouts are told apart."""
    try:
        async with asyncio.timeout(500 * TICK) as outer:
            try:
                async with asyncio.timeout(TICK) as inner:
                    await asyncio.sleep(500 * TICK)
            except TimeoutError:
                note(("inner", inner.expired(), outer.expired()))
            outer.reschedule(_loop().time() + TICK)
            await asyncio.sleep(500 * TICK)
    except TimeoutError:
        note(("outer", outer.expired()))


@scenario
async def task_group_waits_for_all(note):
    """Tasks, TaskGroup: all tasks are awaited when the context manager exits."""
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(_child(note, name, t)) for name, t in (("a", 3), ("b", 1))]
        note("body done")
    note([task.result() for task in tasks])


@scenario
async def task_group_failure(note):
    """Tasks, TaskGroup: a failing child cancels its siblings and the body; ExceptionGroup."""
    try:
        async with asyncio.TaskGroup() as group:
            group.create_task(_child(note, "sibling", 500))
            group.create_task(_child(note, "failing", 1, ValueError("first")))
            group.create_task(_child(note, "failing too", 1, KeyError("second")))
            await _child(note, "body", 500)
    except* (ValueError, KeyError) as caught:
        note(sorted(repr(error) for error in caught.exceptions))


# Synchronisation


@scenario
async def event_wakes_all_in_order(note):
    """Synchronization Primitives, Event.set: all waiting tasks are awakened."""
    event = asyncio.Event()

    async def waiter(name):
        await event.wait()
        note(name)

    tasks = [_loop().create_task(waiter(name)) for name in "abc"]
    await asyncio.sleep(0)
    event.set()
    note("set")
    await asyncio.gather(*tasks)


@scenario
async def lock_and_semaphore_are_fair(note):
    """Synchronization Primitives, Lock.acquire and Semaphore: first waiting, first served."""

    async def worker(name, guard):
        async with guard:
            note(f"{name} in")
            await asyncio.sleep(0)
        note(f"{name} out")

    for guard in (asyncio.Lock(), asyncio.Semaphore(2), asyncio.BoundedSemaphore(1)):
        await asyncio.gather(*[worker(name, guard) for name in "abcd"])


@scenario
async def condition_notifies_in_order(note):
    """Synchronization Primitives, Condition.notify, notify_all and wait_for."""
    condition = asyncio.Condition()
    state = []

    async def waiter(name):
        async with condition:
            await condition.wait_for(lambda: state)
            note(name)

    tasks = [_loop().create_task(waiter(name)) for name in "abc"]
    await asyncio.sleep(0)
    async with condition:
        condition.notify()
    await asyncio.sleep(0)
    note("notified in vain")
    async with condition:
        state.append(1)
        condition.notify_all()
    await asyncio.gather(*tasks)


@scenario
async def barrier_releases_together(note):
    """Synchronization Primitives, Barrier.wait: tasks pass when all have arrived."""
    barrier = asyncio.Barrier(3)

    async def party(name):
        note((name, await barrier.wait()))

    await asyncio.gather(*[party(name) for name in "abc"])


@scenario
async def queue_blocks_both_sides(note):
    """Queues, Queue.put, get and join: a full queue holds back, an empty one too."""
    queue = asyncio.Queue(maxsize=2)

    async def producer():
        for number in range(5):
            await queue.put(number)
            note(f"put {number}")

    async def consumer(name):
        while True:
            number = await queue.get()
            note(f"{name} got {number}")
            await asyncio.sleep(0)
            queue.task_done()

    consumers = [_loop().create_task(consumer(name)) for name in "ab"]
    await producer()
    await queue.join()
    note("joined")
    for task in consumers:
        task.cancel()


@scenario
async def future_callbacks_in_order(note):
    """Futures, add_done_callback: called with call_soon, in order; removable."""
    future = _loop().create_future()
    for name in "abc":
        future.add_done_callback(lambda done, name=name: note((name, done.result())))
    future.add_done_callback(note)
    note(future.remove_done_callback(note))
    future.set_result(1)
    note("set")
    await future
    note("awaited")


# Asynchronous generators


@scenario
async def abandoned_generator_is_closed(note):
    """Event Loop, shutdown_asyncgens; sys.set_asyncgen_hooks: the finally of a dropped one runs."""

    async def numbers():
        try:
            yield 1
            yield 2
        finally:
            await asyncio.sleep(0)
            note("closed")

    async for number in numbers():
        note(number)
        break
    await asyncio.sleep(TICK)
    note("end")


@scenario
def generators_are_closed_at_shutdown(loop, note):
    """Event Loop, shutdown_asyncgens: generators still open are closed, errors are reported."""
    kept = []

    async def numbers(error):
        try:
            yield 1
        finally:
            await asyncio.sleep(0)
            note("closed")
            if error:
                raise error

    async def main():
        generator = numbers(ValueError("while closing"))
        kept.append(generator)
        note(await anext(generator))

    loop.set_exception_handler(
        lambda loop, context: note((sorted(context), context["message"][:31]))
    )
    loop.run_until_complete(main())
    loop.run_until_complete(loop.shutdown_asyncgens())
    loop.run_until_complete(loop.shutdown_default_executor())
    note("end")


# Debug mode, factories, runner


@scenario
async def debug_mode_refuses_coroutines(note):
    """Developing with asyncio, debug mode: wrong arguments of call_soon and others are refused."""
    loop = _loop()
    loop.set_debug(True)
    note(loop.get_debug())

    async def coroutine():
        pass

    for method in (loop.call_soon, loop.call_soon_threadsafe):
        for callback in (coroutine, 5):
            try:
                method(callback)
            except TypeError as caught:
                note(str(caught)[:60])
    try:
        loop.call_at(1, coroutine)
    except TypeError as caught:
        note(str(caught))


@scenario
async def debug_mode_remembers_the_caller(note):
    """Developing with asyncio, debug mode: handles keep where they were scheduled."""
    loop = _loop()
    loop.set_debug(True)
    handles = [
        loop.call_soon(int),
        loop.call_soon_threadsafe(int),
        loop.call_later(TICK, int),
        loop.call_at(loop.time(), int),
    ]
    note([handle._source_traceback[-1].name for handle in handles])
    note([handle._source_traceback[-1].line for handle in handles])
    for handle in handles:
        handle.cancel()
        note("int()" in repr(handle) and "cancelled" in repr(handle))
    await asyncio.sleep(0)
    note(sys.get_coroutine_origin_tracking_depth())
    loop.set_debug(False)
    await asyncio.sleep(0)
    note(sys.get_coroutine_origin_tracking_depth())


@scenario
async def custom_task_factory(note):
    """Event Loop, set_task_factory: create_task goes through the factory."""

    def factory(loop, coroutine, context=None):
        note(("factory", coroutine.__name__, context is not None))
        return asyncio.Task(coroutine, loop=loop, context=context)

    loop = _loop()
    loop.set_task_factory(factory)
    note(loop.get_task_factory() is factory)
    named = loop.create_task(_child(note, "a", 0), name="named")
    note(named.get_name())
    await asyncio.gather(named, _child(note, "b", 0))
    await loop.create_task(_child(note, "c", 0), context=contextvars.copy_context())
    loop.set_task_factory(None)
    try:
        loop.set_task_factory(5)
    except TypeError as caught:
        note(str(caught))


@scenario
async def eager_task_factory(note):
    """Tasks, eager_task_factory (3.12): a task runs up to its first wait when it is made."""
    if sys.version_info >= (3, 12):
        _loop().set_task_factory(asyncio.eager_task_factory)
    task = _loop().create_task(_child(note, "a", 0))
    note("made")
    note(await task)
    note([await asyncio.gather(_child(note, "b", 1), _child(note, "c", 0))])


@scenario
async def names_of_tasks(note):
    """Tasks, Task.get_name and set_name: the name is given or a default."""
    note(_loop().create_task(asyncio.sleep(0), name="given").get_name())
    note(_loop().create_task(asyncio.sleep(0), name=5).get_name())
    unnamed = _loop().create_task(asyncio.sleep(0))
    note(unnamed.get_name().startswith("Task-"))
    await asyncio.sleep(0)


@pytest.mark.parametrize("loop_factory", [ReferenceLoop, VirtualLoop])
def test_the_runner_cancels_what_is_left_and_closes_the_loop(loop_factory):
    """Runners, Runner: on exit remaining tasks are cancelled and the loop is closed."""
    log = []
    variable = contextvars.ContextVar("variable", default=0)

    async def main():
        variable.set(variable.get() + 1)
        tasks.append(asyncio.get_running_loop().create_task(_child(log.append, "left", 500)))
        await asyncio.sleep(0)
        return variable.get()

    tasks = []
    with asyncio.Runner(loop_factory=loop_factory, debug=True) as runner:
        assert runner.run(main()) == 1
        assert runner.run(main()) == 2
        loop = runner.get_loop()
        assert loop.get_debug()
    assert log == ["left cancelled", "left cancelled"]
    assert loop.is_closed()


@pytest.mark.parametrize("loop_factory", [ReferenceLoop, VirtualLoop])
def test_an_unhandled_exception_is_logged_with_its_callback(loop_factory, caplog):
    """Event Loop, default_exception_handler: message and traceback go to the asyncio logger."""
    loop = loop_factory()

    def failing():
        raise ValueError("in a callback")

    loop.call_soon(failing)
    with caplog.at_level(logging.ERROR, logger="asyncio"):
        loop.run_until_complete(asyncio.sleep(0))
    loop.close()
    (record,) = caplog.records
    assert record.name == "asyncio"
    assert record.message.startswith(f"Exception in callback {failing.__qualname__}()")
    assert record.message.splitlines()[1].startswith("handle: <")
    assert str(record.exc_info[1]) == "in a callback"
