"""An asyncio event loop whose time is the clock of an event queue.

Coroutine nodes and plain callbacks share one order of events: the loop keeps no clock and no heap
of its own. So whoever drives the queue drives the coroutines, and what the bus decides at the end
of an instant it decides after every coroutine has run. Tasks, exception handlers and generators are
asyncio's own (:class:`asyncio.BaseEventLoop`); scheduling is ours:

A timer is one entry, at its instant. Callbacks that are ready stand in line, and a single entry,
the *drain*, runs all those that were in line when it began. A callback that joins during a drain
waits for the next one, which is a new entry after whatever else was scheduled meanwhile. Timers
that were overdue when they were made go to the end of the next drain, as in asyncio.

Virtual time cannot offer anything whose duration only the wall clock knows. A socket, a process or
a thread answers when it likes: waiting for one inside a run would stop virtual time for ever or
make its outcome depend on the machine. So each such method refuses at once and says why.

A loop over sockets would hang when every task waits and nothing will ever happen. In virtual time
it is known at once that no event can wake any task: the run ends with the list of the tasks and
what they wait for.
"""

from __future__ import annotations

import asyncio
import sys
from asyncio import Handle, TimerHandle
from asyncio.events import _get_running_loop, _set_running_loop
from asyncio.format_helpers import _format_callback_source, extract_stack
from collections import deque
from collections.abc import AsyncGenerator, Callable, Iterator
from contextlib import contextmanager
from contextvars import Context, copy_context
from heapq import heappush
from math import isinf
from pathlib import Path
from threading import get_ident
from traceback import StackSummary
from typing import TYPE_CHECKING, Any, NoReturn
from weakref import WeakKeyDictionary

from linkloss.clock.queue import NS_PER_S, Event, EventQueue, OwnClock, Priority

_ASYNCIO = Path(asyncio.__file__).parent


class DeadlockError(RuntimeError):
    """Nothing is ready and nothing is due, but the loop was asked to continue.

    ``now_ns`` is the virtual instant in nanoseconds, ``waiting`` the sorted descriptions of the
    tasks that wait.
    """

    def __init__(self, now_ns: int, waiting: list[str]) -> None:
        self.now_ns = now_ns
        self.waiting = waiting
        count = len(waiting)
        who = "1 task waits" if count == 1 else f"{count} tasks wait"
        ending = (
            f"{who} for ever: {', '.join(waiting)}"
            if waiting
            else "no task is left and nobody called stop()"
        )
        super().__init__(f"nothing is ready and nothing is due at {_seconds(now_ns)} s: {ending}")


def waiting_tasks(loop: asyncio.AbstractEventLoop) -> list[str]:
    """Every unfinished task of a loop with the place where it waits, sorted by text."""
    return sorted(_describe(task) for task in asyncio.all_tasks(loop))


def _seconds(now_ns: int) -> str:
    # Whole digits, never a float: 1.25 s reads "1.250", one nanosecond "0.000000001".
    whole, rest = divmod(now_ns, 1_000_000_000)
    digits = f"{rest:09d}".rstrip("0").ljust(3, "0")
    return f"{whole}.{digits}"


def _describe(task: asyncio.Task[Any]) -> str:
    frames = _suspended_frames(task.get_coro())
    name = getattr(task.get_coro(), "__qualname__", repr(task.get_coro()))
    if not frames:
        return f"{task.get_name()!r} in {name}"
    own = [entry for entry in frames if _ASYNCIO not in Path(entry[1].f_code.co_filename).parents]
    _, frame = (own or frames)[-1]
    place = f"{Path(frame.f_code.co_filename).name}:{frame.f_lineno}"
    inner = frames[-1]
    # A line inside asyncio differs between versions of Python and tells the reader nothing: name
    # the node's own line, and the primitive it waits in.
    waits_in = "" if inner[1] is frame else f", waiting in {inner[0]}"
    return f"{task.get_name()!r} in {name} ({place}{waits_in})"


def _suspended_frames(awaited: Any) -> list[tuple[str, Any]]:
    """The chain of suspended frames from a task's coroutine inwards, as (name, frame)."""
    frames = []
    while awaited is not None:
        for prefix, link in (("cr", "cr_await"), ("gi", "gi_yieldfrom"), ("ag", "ag_await")):
            frame = getattr(awaited, f"{prefix}_frame", None)
            if frame is not None:
                frames.append((awaited.__qualname__, frame))
                awaited = getattr(awaited, link)
                break
        else:
            break
    return frames


def _refuse(method: str, missing: str) -> Any:
    def refusal(self: object, *args: object, **kwargs: object) -> NoReturn:
        del self, args, kwargs
        msg = (
            f"virtual time has no {missing}: {method}() would wait for the wall clock, and the run "
            f"would no longer be the same each time"
        )
        raise NotImplementedError(msg)

    refusal.__name__ = method
    refusal.__qualname__ = f"VirtualLoop.{method}"
    refusal.__doc__ = f"Raise NotImplementedError: virtual time has no {missing}."
    return refusal


class OutsideWorld:
    """The part of the asyncio interface that reaches outside the run, refused method by method."""

    run_in_executor = _refuse("run_in_executor", "threads")
    set_default_executor = _refuse("set_default_executor", "threads")

    getaddrinfo = _refuse("getaddrinfo", "network")
    getnameinfo = _refuse("getnameinfo", "network")
    create_connection = _refuse("create_connection", "network")
    create_server = _refuse("create_server", "network")
    create_datagram_endpoint = _refuse("create_datagram_endpoint", "network")
    start_tls = _refuse("start_tls", "network")
    sendfile = _refuse("sendfile", "network")

    create_unix_connection = _refuse("create_unix_connection", "sockets")
    create_unix_server = _refuse("create_unix_server", "sockets")
    connect_accepted_socket = _refuse("connect_accepted_socket", "sockets")
    sock_recv = _refuse("sock_recv", "sockets")
    sock_recv_into = _refuse("sock_recv_into", "sockets")
    sock_recvfrom = _refuse("sock_recvfrom", "sockets")
    sock_recvfrom_into = _refuse("sock_recvfrom_into", "sockets")
    sock_sendall = _refuse("sock_sendall", "sockets")
    sock_sendto = _refuse("sock_sendto", "sockets")
    sock_connect = _refuse("sock_connect", "sockets")
    sock_accept = _refuse("sock_accept", "sockets")
    sock_sendfile = _refuse("sock_sendfile", "sockets")

    add_reader = _refuse("add_reader", "file descriptors")
    remove_reader = _refuse("remove_reader", "file descriptors")
    add_writer = _refuse("add_writer", "file descriptors")
    remove_writer = _refuse("remove_writer", "file descriptors")
    connect_read_pipe = _refuse("connect_read_pipe", "pipes")
    connect_write_pipe = _refuse("connect_write_pipe", "pipes")

    subprocess_shell = _refuse("subprocess_shell", "processes")
    subprocess_exec = _refuse("subprocess_exec", "processes")
    add_signal_handler = _refuse("add_signal_handler", "signals")
    remove_signal_handler = _refuse("remove_signal_handler", "signals")

    async def shutdown_default_executor(self, timeout: float | None = None) -> None:  # noqa: ASYNC109 - the interface's own name
        """Return at once: there never was a thread to wait for."""


class _Generators(WeakKeyDictionary[AsyncGenerator[Any, Any], None]):
    """Generators that are being iterated. Unlike asyncio's own set, a shutdown closes them in the
    order of their first iteration, whatever their addresses.
    """

    def add(self, generator: AsyncGenerator[Any, Any]) -> None:
        self[generator] = None

    def discard(self, generator: AsyncGenerator[Any, Any]) -> None:
        self.pop(generator, None)


Call = tuple[Any, ...]
"""A callback and its arguments."""


class _CallView:
    """What asyncio's handles keep in three attributes, read from the call."""

    __slots__ = ()
    _call: Call | None

    @property
    def _cancelled(self) -> bool:
        return self._call is None

    @property
    def _callback(self) -> Callable[..., object] | None:
        return self._call[0] if self._call else None

    @property
    def _args(self) -> Call:
        return self._call[1:] if self._call else ()


class ReadyHandle(_CallView, Handle):  # type: ignore[misc, override]
    """A call that waits for its turn at the present instant.

    The hot path creates one with ``__new__`` and sets the three attributes itself: running a Python
    ``__init__`` would cost as much again as the object.
    """

    __slots__ = ("_call",)
    _context: Context
    _loop: VirtualLoop
    _repr: str | None = None
    _source_traceback: StackSummary | None = None

    def __init__(self, call: Call, context: Context, loop: VirtualLoop) -> None:
        self._call = call
        self._context = context
        self._loop = loop

    def cancel(self) -> None:
        """Cancel the call; harmless once it has run or was cancelled before."""
        self._call = None


class VirtualTimerHandle(_CallView, TimerHandle):  # type: ignore[misc, override]
    """A call with a due instant; ``event`` is its entry on the queue while it has one.

    ``_when_ns`` is None for a timer at infinity. The hot path creates it as it does
    :class:`ReadyHandle`.
    """

    __slots__ = ("_call", "_when_ns", "event")
    _context: Context
    _loop: VirtualLoop
    _when_ns: int | None
    event: Event | None
    _repr: str | None = None
    _source_traceback: StackSummary | None = None

    def __init__(
        self, when_ns: int | None, call: Call, context: Context, loop: VirtualLoop
    ) -> None:
        self._when_ns = when_ns
        self._call = call
        self._context = context
        self._loop = loop
        self.event = None

    @property
    def _when(self) -> float:
        return float("inf") if self._when_ns is None else self._when_ns / NS_PER_S

    def when_ns(self) -> int:
        """The due instant in nanoseconds of virtual time; 0 for a timer at infinity."""
        return self._when_ns or 0

    def cancel(self) -> None:
        """Cancel the call; harmless once it has run or was cancelled before."""
        event = self.event
        if event is not None:
            self.event = None
            self._loop.queue.cancel(event)
        self._call = None


class DebugReadyHandle(ReadyHandle):
    """A ready call that knows where it was scheduled: by the caller's caller's caller."""

    __slots__ = ("_repr", "_source_traceback")

    def __init__(self, call: Call, context: Context, loop: VirtualLoop) -> None:
        super().__init__(call, context, loop)
        self._repr = None
        self._source_traceback = extract_stack(sys._getframe(3))

    def cancel(self) -> None:
        """As without debug mode; the representation keeps the call."""
        if self._call is not None:
            text = repr(self)
            super().cancel()
            self._repr = text.replace(type(self).__name__, f"{type(self).__name__} cancelled")


class DebugTimerHandle(VirtualTimerHandle):
    """A timer that knows where it was scheduled: by the caller's caller's caller."""

    __slots__ = ("_repr", "_source_traceback")

    def __init__(
        self, when_ns: int | None, call: Call, context: Context, loop: VirtualLoop
    ) -> None:
        super().__init__(when_ns, call, context, loop)
        self._repr = None
        self._source_traceback = extract_stack(sys._getframe(3))

    def cancel(self) -> None:
        """As without debug mode; the representation keeps the call."""
        if self._call is not None:
            text = repr(self)
            super().cancel()
            self._repr = text.replace(type(self).__name__, f"{type(self).__name__} cancelled")


AnyHandle = ReadyHandle | VirtualTimerHandle
_NODE = Priority.NODE
_new_ready = ReadyHandle.__new__
_new_timer = VirtualTimerHandle.__new__


class Halt(BaseException):
    """Leaves the queue after stop(); only run_forever sees it."""


def _check_infinite(seconds: object) -> None:
    """Accept infinity, the one time without nanoseconds that makes sense; else TypeError or
    ValueError.
    """
    if not isinstance(seconds, (int, float)):
        msg = f"a time is a number of seconds, got {seconds!r}"
        raise TypeError(msg) from None
    if not isinf(seconds) or seconds < 0:
        msg = f"a time is a finite number of seconds or math.inf, got {seconds!r}"
        raise ValueError(msg) from None


class VirtualLoop(OutsideWorld, asyncio.BaseEventLoop):
    """asyncio's loop in virtual time: seconds are ``queue.now_ns / 1e9`` and pass at once.

    Waiting costs nothing: when nothing is ready, the clock jumps to the next entry of the queue.
    When there is none either, :class:`DeadlockError` lists the tasks that wait. The loop opens no
    file descriptor and starts no thread.

    It runs in two ways: asyncio's own (``asyncio.Runner(loop_factory=VirtualLoop)``,
    :meth:`run_until_complete`), or somebody else drives the queue inside :meth:`running`.

    Time is a float only at this face. Delays (``call_later``, ``asyncio.sleep``) and instants
    (``call_at``, ``asyncio.timeout``) up to 2**51 ns, 26 days, are exact to the nanosecond; a later
    instant is rounded to what a float can hold. Timers for one instant run first come, first
    served. A callback takes no time, so debug mode reports no slow ones.
    """

    if TYPE_CHECKING:  # asyncio's own, missing from its published types
        _closed: bool
        _ready: deque[AnyHandle]
        _stopping: bool
        _asyncgen_firstiter_hook: Callable[[AsyncGenerator[Any, Any]], None]
        _asyncgen_finalizer_hook: Callable[[AsyncGenerator[Any, Any]], None]

        def _check_closed(self) -> None: ...
        def _check_callback(self, callback: object, method: str) -> None: ...
        def _set_coroutine_origin_tracking(self, enabled: bool) -> None: ...

    _current_handle: AnyHandle | None

    def __init__(self, queue: EventQueue | None = None) -> None:
        self._running = self._guarded = False
        super().__init__()
        self.queue = EventQueue() if queue is None else queue
        self._asyncgens = _Generators()
        self._overdue: list[VirtualTimerHandle] = []
        self._drain_event: Event | None = None
        self._drain_action = self._drain
        self._timer_action = self._fire
        self._draining = False
        self._driving = False
        self._halt_before_drain = False
        self._owner = get_ident()
        self._task_count = 0
        self.own_clock: Callable[[], OwnClock | None] | None = None
        """Returns the clock of the code that runs now, which then gives its times and delays."""

    def __del__(self) -> None:
        """Nothing: the loop holds nothing of the system, and one that was never closed is
        no leak.
        """

    def __repr__(self) -> str:
        return (
            f"<{type(self).__name__} now_ns={self.queue.now_ns} running={self._running} "
            f"closed={self._closed} debug={self._debug}>"
        )

    @contextmanager
    def running(self) -> Iterator[None]:
        """Make this the running loop while somebody drives the queue.

        >>> loop = VirtualLoop()
        >>> with loop.running():
        ...     task = loop.create_task(asyncio.sleep(1, "done"))
        ...     loop.queue.run_until(1_000_000_000)
        >>> task.result()
        'done'
        >>> loop.close()

        Raises RuntimeError when the loop is closed, or when a loop runs already in this thread.
        """
        self._check_closed()
        self._check_idle()
        self._owner = get_ident()
        self._running = True
        hooks = sys.get_asyncgen_hooks()
        sys.set_asyncgen_hooks(
            firstiter=self._asyncgen_firstiter_hook, finalizer=self._asyncgen_finalizer_hook
        )
        _set_running_loop(self)
        self._set_coroutine_origin_tracking(self._debug)
        try:
            yield
        finally:
            self._running = False
            _set_running_loop(None)
            self._set_coroutine_origin_tracking(enabled=False)
            sys.set_asyncgen_hooks(*hooks)

    def keep_running(self) -> None:
        """Stay the running loop in a process that was forked inside :meth:`running`.

        asyncio remembers the running loop together with the process, and so forgets it there.
        """
        if self._running:
            _set_running_loop(self)

    def run_forever(self) -> None:
        """Run until :meth:`stop` is called.

        Raises DeadlockError when nothing is ready and nothing is due, and whatever a plain
        callback on the queue raises.
        """
        with self.running():
            if self._stopping:
                self._arm()
            self._driving = True
            try:
                self.queue.run()
                raise DeadlockError(self.queue.now_ns, waiting_tasks(self))
            except Halt:
                pass
            finally:
                self._driving = self._stopping = self._halt_before_drain = False
                if self._ready or self._overdue:
                    self._arm()

    def stop(self) -> None:
        """End :meth:`run_forever` once the callbacks that are ready now have run.

        Raises RuntimeError while somebody else drives the queue: there is nothing to stop.
        """
        if self._running and not self._driving:
            raise RuntimeError(
                "stop() ends run_forever(), but here somebody else drives the queue: "
                "let the coroutine return instead"
            )
        self._stopping = True
        if self._driving and not self._draining:
            # Called by a timer: the other timers of this instant still run, as in asyncio, but
            # what they made ready waits for the next run.
            self._halt_before_drain = True
            self._arm()

    def is_running(self) -> bool:
        """Whether this is the running loop, whoever drives the queue."""
        return self._running

    def close(self) -> None:
        """Drop everything scheduled here; the entries of others stay on the queue.

        Raises RuntimeError while running.
        """
        if not self._running and not self._closed:
            self._drop_scheduled()
        super().close()
        self._guarded = True

    def create_task(
        self, coro: Any, *, name: object = None, context: Context | None = None, **kwargs: Any
    ) -> Any:
        """Schedule a coroutine and return its task.

        Default names ("Task-1") are counted per loop, so that two runs in one process name their
        tasks alike. Further keywords (``eager_start``) go to the task or the task factory.
        """
        if name is None:
            self._task_count += 1
            name = f"Task-{self._task_count}"
        return super().create_task(coro, name=str(name), context=context, **kwargs)

    def set_debug(self, enabled: bool) -> None:
        """Turn asyncio's debug mode on or off, at once."""
        self._debug = bool(enabled)
        self._guarded = self._debug or self._closed
        if self._running:
            self._set_coroutine_origin_tracking(self._debug)

    def _check_idle(self) -> None:
        if self._running:
            raise RuntimeError("This event loop is already running")
        if _get_running_loop() is not None:
            raise RuntimeError("Cannot run the event loop while another loop is running")

    # ---- what is scheduled

    def time(self) -> float:
        """Virtual seconds since the start of the run, or what the caller's own clock shows."""
        clock = self._clock()
        return (self.queue.now_ns if clock is None else clock.now_ns()) / NS_PER_S

    def _clock(self) -> OwnClock | None:
        return None if self.own_clock is None else self.own_clock()

    def call_soon(  # type: ignore[override]
        self, *call: Any, context: Context | None = None
    ) -> ReadyHandle:
        """Run ``callback(*args)`` at this instant, after the callbacks already in line."""
        if context is None:
            context = copy_context()
        if self._guarded:
            handle = self._guarded_ready("call_soon", call, context)
        else:
            handle = _new_ready(ReadyHandle)
            handle._call = call
            handle._context = context
            handle._loop = self
        self._ready.append(handle)
        if self._drain_event is None:
            self._arm()
        return handle

    def call_soon_threadsafe(  # type: ignore[override]
        self, *call: Any, context: Context | None = None
    ) -> ReadyHandle:
        """As :meth:`call_soon`, from the thread of the loop only.

        Raises RuntimeError in any other thread.
        """
        if get_ident() != self._owner:
            raise RuntimeError(
                "virtual time has one thread: a call from another one belongs to no virtual "
                "instant, and the run would no longer be the same each time"
            )
        if self._guarded:
            self._check_call("call_soon_threadsafe", call)
        handle = self.call_soon(*call, context=context)
        if handle._source_traceback:
            del handle._source_traceback[-1]
        return handle

    def call_later(  # type: ignore[override]
        self, delay: float, *call: Any, context: Context | None = None
    ) -> VirtualTimerHandle:
        """Run ``callback(*args)`` a number of seconds from now, rounded to whole nanoseconds.

        An infinite delay never comes due. Raises TypeError or ValueError when the delay is not a
        number.
        """
        if context is None:
            context = copy_context()
        queue = self.queue
        now_ns = queue.now_ns
        try:
            when_ns = now_ns + round(delay * 1e9)
        except (TypeError, ValueError, OverflowError):
            _check_infinite(delay)
            return self._timer("call_later", None, call, context)
        if self.own_clock is not None and (clock := self.own_clock()) is not None:
            when_ns = clock.after(when_ns - now_ns)
        if self._guarded or when_ns <= now_ns:
            return self._timer("call_later", when_ns, call, context)
        handle = _new_timer(VirtualTimerHandle)
        handle._when_ns = when_ns
        handle._call = call
        handle._context = context
        handle._loop = self
        # What queue.at() does: the call itself would cost as much again.
        queue._count = number = queue._count + 1
        handle.event = event = (when_ns, _NODE, number, self._timer_action, (handle,))
        heappush(queue._heap, event)
        return handle

    def call_at(  # type: ignore[override]
        self, when: float, *call: Any, context: Context | None = None
    ) -> VirtualTimerHandle:
        """Run ``callback(*args)`` at an instant of the loop's time, rounded to nanoseconds.

        An infinite instant never comes. Raises TypeError or ValueError when it is not a number.
        """
        if context is None:
            context = copy_context()
        try:
            when_ns = round(when * 1e9)
        except (TypeError, ValueError, OverflowError):
            _check_infinite(when)
            return self._timer("call_at", None, call, context)
        clock = self._clock()
        when_ns = when_ns if clock is None else clock.instant(when_ns)
        return self._timer("call_at", when_ns, call, context)

    def _timer(
        self, method: str, when_ns: int | None, call: Call, context: Context
    ) -> VirtualTimerHandle:
        if self._guarded:
            self._check_call(method, call)
        kind = DebugTimerHandle if self._debug else VirtualTimerHandle
        handle = kind(when_ns, call, context, self)
        if when_ns is None:
            return handle
        if when_ns > self.queue.now_ns:
            handle.event = self.queue.at(when_ns, self._timer_action, handle)
        else:
            self._overdue.append(handle)
            self._arm()
        return handle

    def _guarded_ready(self, method: str, call: Call, context: Context) -> ReadyHandle:
        self._check_call(method, call)
        return DebugReadyHandle(call, context, self)

    def _arm(self) -> None:
        if self._drain_event is None:
            self._drain_event = self.queue.at(self.queue.now_ns, self._drain_action)

    def _fire(self, handle: VirtualTimerHandle) -> None:
        handle.event = None
        if self._debug:
            self._current_handle = handle
        try:
            handle._context.run(*handle._call)  # type: ignore[misc]
        except (SystemExit, KeyboardInterrupt):
            raise
        except BaseException as exception:  # noqa: BLE001 - asyncio reports it and goes on
            self._report_callback(handle, exception)
        self._current_handle = None

    def _drain(self) -> None:
        self._drain_event = None
        if self._overdue or self._halt_before_drain or not self._running:
            self._admit_overdue()
        ready = self._ready
        self._draining = True
        try:
            for _ in range(len(ready)):
                handle = ready.popleft()
                call = handle._call
                if call is None:
                    continue
                if self._debug:
                    self._current_handle = handle
                try:
                    handle._context.run(*call)
                except (SystemExit, KeyboardInterrupt):
                    raise
                except BaseException as exception:  # noqa: BLE001 - as above
                    self._report_callback(handle, exception)
        finally:
            self._draining = False
            self._current_handle = None
            if ready:
                self._arm()
        if self._stopping:
            raise Halt

    def _admit_overdue(self) -> None:
        if self._halt_before_drain:
            raise Halt
        if not self._running:
            self._arm()
            raise RuntimeError(
                "the queue of a VirtualLoop is driven outside it; "
                "right: with loop.running(): loop.queue.run_until(end_ns)"
            )
        if self._overdue:
            self._overdue.sort(key=VirtualTimerHandle.when_ns)
            self._ready.extend(self._overdue)
            self._overdue.clear()

    def _drop_scheduled(self) -> None:
        """Drop every callback; entries of others stay on the queue."""
        self._ready.clear()
        self._overdue.clear()
        if self._drain_event is not None:
            self.queue.cancel(self._drain_event)
            self._drain_event = None
        for event in self.queue.scheduled():
            if event[3] is self._timer_action:
                event[4][0].cancel()

    def _report_callback(self, handle: AnyHandle, exception: BaseException) -> None:
        source = _format_callback_source(handle._callback, handle._args)
        context: dict[str, Any] = {
            "message": f"Exception in callback {source}",
            "exception": exception,
            "handle": handle,
        }
        if handle._source_traceback:
            context["source_traceback"] = handle._source_traceback
        self.call_exception_handler(context)

    def _check_call(self, method: str, call: Call) -> None:
        """What asyncio checks in debug mode; RuntimeError or TypeError."""
        self._check_closed()
        if self._running and get_ident() != self._owner:
            raise RuntimeError(
                "Non-thread-safe operation invoked on an event loop other than the current one"
            )
        self._check_callback(call[0] if call else None, method)
