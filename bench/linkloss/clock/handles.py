"""The two objects a loop hands out for a callback, made as cheaply as Python allows.

Every step of every coroutine passes through one of these, so their making decides how fast
coroutine nodes run. They stay subclasses of asyncio's own handles, so code that looks at those
notices nothing, but hold only what a run needs: the call as one tuple, the way ``Context.run``
takes it, or None once it is cancelled. Where a call was scheduled is noted in debug mode only.
"""

from __future__ import annotations

import sys
from asyncio import Handle, TimerHandle
from asyncio.format_helpers import extract_stack
from collections.abc import Callable
from contextvars import Context
from traceback import StackSummary
from typing import TYPE_CHECKING, Any

from linkloss.clock.queue import NS_PER_S, Event

if TYPE_CHECKING:
    from linkloss.clock.scheduling import Scheduling

Call = tuple[Any, ...]
"""A callback and its arguments."""


class _CallView:
    """What asyncio's handles keep in three places, read from the call."""

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

    The hot path makes one with ``__new__`` and sets the three itself: running a
    Python ``__init__`` would cost as much again as the object.
    """

    __slots__ = ("_call",)
    _context: Context
    _loop: Scheduling
    _repr: str | None = None
    _source_traceback: StackSummary | None = None

    def __init__(self, call: Call, context: Context, loop: Scheduling) -> None:
        self._call = call
        self._context = context
        self._loop = loop

    def cancel(self) -> None:
        """Take the call back; harmless once it has run or was cancelled before."""
        self._call = None


class VirtualTimerHandle(_CallView, TimerHandle):  # type: ignore[misc, override]
    """A call with a due instant; ``event`` is its entry on the queue while it has one.

    ``_when_ns`` is None for a timer at infinity. Made on the hot path as :class:`ReadyHandle` is.
    """

    __slots__ = ("_call", "_when_ns", "event")
    _context: Context
    _loop: Scheduling
    _when_ns: int | None
    event: Event | None
    _repr: str | None = None
    _source_traceback: StackSummary | None = None

    def __init__(self, when_ns: int | None, call: Call, context: Context, loop: Scheduling) -> None:
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
        """Take the call back; harmless once it has run or was cancelled before."""
        event = self.event
        if event is not None:
            self.event = None
            self._loop.queue.cancel(event)
        self._call = None


class DebugReadyHandle(ReadyHandle):
    """A ready call that knows where it was scheduled: by the caller's caller's caller."""

    __slots__ = ("_repr", "_source_traceback")

    def __init__(self, call: Call, context: Context, loop: Scheduling) -> None:
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

    def __init__(self, when_ns: int | None, call: Call, context: Context, loop: Scheduling) -> None:
        super().__init__(when_ns, call, context, loop)
        self._repr = None
        self._source_traceback = extract_stack(sys._getframe(3))

    def cancel(self) -> None:
        """As without debug mode; the representation keeps the call."""
        if self._call is not None:
            text = repr(self)
            super().cancel()
            self._repr = text.replace(type(self).__name__, f"{type(self).__name__} cancelled")
