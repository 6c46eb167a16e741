"""Whose turn it is: the callbacks of an asyncio loop as entries of the event queue.

A timer is one entry, at its instant. Callbacks that are ready stand in line, and a single entry,
the *drain*, runs all those that stood in line when it began; whoever joins during a drain waits
for the next one, which is a new entry behind whatever else was scheduled meanwhile. Timers that
were overdue when they were made go to the end of the next drain, as in asyncio.
"""

from __future__ import annotations

from asyncio import AbstractEventLoop, iscoroutine
from collections import deque
from collections.abc import Callable
from contextvars import Context, copy_context
from heapq import heappush
from inspect import iscoroutinefunction
from math import isinf
from threading import get_ident
from typing import Any

from linkloss.clock.handles import (
    Call,
    DebugReadyHandle,
    DebugTimerHandle,
    ReadyHandle,
    VirtualTimerHandle,
)
from linkloss.clock.own import OwnClock
from linkloss.clock.queue import NS_PER_S, Event, EventQueue, Priority
from linkloss.clock.reports import ExceptionReports

_NODE = Priority.NODE
_new_ready = ReadyHandle.__new__
_new_timer = VirtualTimerHandle.__new__


class Halt(BaseException):
    """Leaves the queue after stop(); seen by run_forever alone."""


class Scheduling(ExceptionReports, AbstractEventLoop):
    """The scheduling methods of the asyncio loop interface, over an event queue.

    The callback and its arguments are taken as one tuple, ``*call``, so that nothing is packed
    and unpacked between scheduling and running it.
    """

    def __init__(self, queue: EventQueue | None = None) -> None:
        super().__init__()
        self.queue = EventQueue() if queue is None else queue
        self._ready: deque[ReadyHandle | VirtualTimerHandle] = deque()
        self._overdue: list[VirtualTimerHandle] = []
        self._drain_event: Event | None = None
        self._drain_action = self._drain
        self._timer_action = self._fire
        self._draining = False
        self._stopping = False
        self._halt_before_drain = False
        self._running = False
        self._closed = False
        self._debug = False
        self._guarded = False
        """Closed or in debug mode: every call is checked first."""
        self._owner = get_ident()
        self.own_clock: Callable[[], OwnClock | None] | None = None
        """The clock of whose code runs now, which its times and delays are then taken from."""

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

        An infinite delay never comes due. Raises TypeError or ValueError when the delay is no
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

        An infinite instant never comes. Raises TypeError or ValueError when it is no number.
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
        """Forget every callback; entries of others stay on the queue."""
        self._ready.clear()
        self._overdue.clear()
        if self._drain_event is not None:
            self.queue.cancel(self._drain_event)
            self._drain_event = None
        for event in self.queue.scheduled():
            if event[3] is self._timer_action:
                event[4][0].cancel()

    def _check_closed(self) -> None:
        if self._closed:
            raise RuntimeError("Event loop is closed")

    def _check_call(self, method: str, call: Call) -> None:
        """What asyncio checks in debug mode; RuntimeError or TypeError."""
        self._check_closed()
        if self._running and get_ident() != self._owner:
            raise RuntimeError(
                "Non-thread-safe operation invoked on an event loop other than the current one"
            )
        callback = call[0] if call else None
        if iscoroutine(callback) or iscoroutinefunction(callback):
            msg = f"coroutines cannot be used with {method}()"
            raise TypeError(msg)
        if not callable(callback):
            msg = f"a callable object was expected by {method}(), got {callback!r}"
            raise TypeError(msg)


def _check_infinite(seconds: object) -> None:
    """Infinity is the one time without nanoseconds that has a meaning; TypeError, ValueError."""
    if not isinstance(seconds, (int, float)):
        msg = f"a time is a number of seconds, got {seconds!r}"
        raise TypeError(msg) from None
    if not isinf(seconds) or seconds < 0:
        msg = f"a time is a finite number of seconds or math.inf, got {seconds!r}"
        raise ValueError(msg) from None
