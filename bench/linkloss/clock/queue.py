"""The one order in which everything happens.

Every action of a run is in one heap as the tuple

    (time_ns, priority, running number, action, args)

so that the order of events can be read in one place: the earlier instant first, at one instant the
lower priority value, and among equals first come, first served. The running number belongs to the
queue, not to this module: two runs in one process do not affect each other.

A node has a clock of its own (:class:`OwnClock`): a crystal is off by some tens of parts per
million, and a counter of milliseconds or microseconds rolls over some day. What a program reads,
and how long its timers, waits and periods take, goes through that clock. Recordings use the time of
the queue.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum
from heapq import heapify, heappop, heappush
from typing import Any

NS_PER_S = 1_000_000_000

Event = tuple[int, int, int, Callable[..., object], tuple[Any, ...]]
"""A scheduled action. Keep it only to pass it back to :meth:`EventQueue.cancel`."""

_NEVER_NS = 1 << 63
_COMPACT_AT = 64
"""Cancelled entries are removed from the heap once there are this many and they outnumber
the rest.
"""


class Priority(IntEnum):
    """What goes first at one instant.

    The driver and the faults act first, then the bus hands over what has just ended, then the nodes
    react to both. Only then the bus decides who sends next: all who asked at this instant take part
    in the same arbitration. Last of all the electrical circuit settles with whatever was switched.
    """

    STIMULUS = 0
    BUS = 1
    NODE = 2
    ARBITRATION = 3
    CIRCUIT = 4


class EventQueue:
    """A heap of actions in virtual time, in whole nanoseconds since the start of the run."""

    __slots__ = ("_cancelled", "_count", "_end_ns", "_heap", "idle", "now_ns")

    def __init__(self) -> None:
        """``idle`` holds the running numbers of scheduled actions that do nothing but go on
        computing: whoever schedules one keeps it there until it has run.
        """
        self.now_ns = 0
        self.idle: set[int] = set()
        self._end_ns = _NEVER_NS
        self._heap: list[Event] = []
        self._cancelled: set[int] = set()
        self._count = 0

    def at(
        self,
        when_ns: int,
        action: Callable[..., object],
        *args: Any,
        priority: int = Priority.NODE,
    ) -> Event:
        """Schedule ``action(*args)`` at an instant; one in the past is due at once."""
        self._count += 1
        event = (when_ns, priority, self._count, action, args)
        heappush(self._heap, event)
        return event

    def after(
        self,
        delay_ns: int,
        action: Callable[..., object],
        *args: Any,
        priority: int = Priority.NODE,
    ) -> Event:
        """Schedule ``action(*args)`` a number of nanoseconds from now."""
        self._count += 1
        event = (self.now_ns + delay_ns, priority, self._count, action, args)
        heappush(self._heap, event)
        return event

    def cancel(self, event: Event) -> None:
        """Cancel a scheduled action, which must not have run yet."""
        self._cancelled.add(event[2])
        if len(self._cancelled) >= _COMPACT_AT and 2 * len(self._cancelled) > len(self._heap):
            # In place: the loops that run the queue keep a reference to the list.
            self._heap[:] = [entry for entry in self._heap if entry[2] not in self._cancelled]
            heapify(self._heap)
            self._cancelled.clear()

    def next_ns(self) -> int | None:
        """The instant of the next action, or None when nothing is due ever again."""
        heap = self._heap
        while heap and heap[0][2] in self._cancelled:
            self._cancelled.discard(heappop(heap)[2])
        return heap[0][0] if heap else None

    def quiet_until(self, past_idle_ns: int = 0) -> int:
        """The instant before which nothing happens that is not caused from now on: that of the next
        action, or just after the end of :meth:`run_until`, where something from outside may come.
        An idle action counts ``past_idle_ns`` later than it is due.
        """
        next_ns = self.next_ns()
        if past_idle_ns and next_ns is not None and self._heap[0][2] in self.idle:
            next_ns = self._next_past_idle(past_idle_ns)
        return self._end_ns if next_ns is None else min(next_ns, self._end_ns)

    def _next_past_idle(self, past_ns: int) -> int:
        heap = self._heap
        found_ns = heap[0][0] + past_ns
        places = [0]
        while places:
            place = places.pop()
            if place >= len(heap) or heap[place][0] >= found_ns:
                continue  # what stands below it in the heap is due no earlier
            number = heap[place][2]
            if number in self.idle or number in self._cancelled:
                places += (2 * place + 1, 2 * place + 2)
            else:
                found_ns = heap[place][0]
        return found_ns

    def step(self) -> bool:
        """Run the next action, moving the clock to its instant. False when there is none."""
        if self.next_ns() is None:
            return False
        when_ns, _, _, action, args = heappop(self._heap)
        self.now_ns = max(self.now_ns, when_ns)
        action(*args)
        return True

    def scheduled(self) -> list[Event]:
        """Every action that has neither run nor been cancelled, in no particular order."""
        return [entry for entry in self._heap if entry[2] not in self._cancelled]

    def run(self) -> None:
        """Run all actions until none is left; the clock stays at the last one's instant."""
        heap, cancelled = self._heap, self._cancelled
        while heap:
            when_ns, _, number, action, args = heappop(heap)
            if number in cancelled:
                cancelled.discard(number)
                continue
            if when_ns > self.now_ns:  # noqa: PLR1730 - max() costs twice as much
                self.now_ns = when_ns
            action(*args)

    def run_until(self, end_ns: int) -> None:
        """Run all actions due up to and including ``end_ns`` and leave the clock there."""
        self._end_ns = end_ns + 1
        heap, cancelled = self._heap, self._cancelled
        while heap and heap[0][0] <= end_ns:
            when_ns, _, number, action, args = heappop(heap)
            if number in cancelled:
                cancelled.discard(number)
                continue
            if when_ns > self.now_ns:  # noqa: PLR1730 - max() costs twice as much
                self.now_ns = when_ns
            action(*args)
        self.now_ns = max(self.now_ns, end_ns)


class OwnClock:
    """A clock that shows ``start_ns`` at instant zero of the run, and runs ``ppm`` too fast.

    Exact to the nanosecond: the rate is kept in whole parts per billion. A clock without error is
    ``OwnClock(queue)``.
    """

    __slots__ = ("_queue", "_rate", "start_ns")

    def __init__(self, queue: EventQueue, start_ns: int = 0, ppm: float = 0.0) -> None:
        self._queue = queue
        self._rate = NS_PER_S + round(ppm * 1000)
        self.start_ns = start_ns

    @property
    def ppb(self) -> int:
        """How much too fast it runs, in parts per billion."""
        return self._rate - NS_PER_S

    def now_ns(self) -> int:
        """What it shows now."""
        return self.shows(self._queue.now_ns)

    def shows(self, at_ns: int) -> int:
        """What it shows at an instant of the bench."""
        if self._rate == NS_PER_S:
            return self.start_ns + at_ns
        return self.start_ns + at_ns * self._rate // NS_PER_S

    def between(self, from_ns: int, to_ns: int) -> int:
        """What passes on it between two instants of the bench."""
        return self.shows(to_ns) - self.shows(from_ns)

    def instant(self, shown_ns: int) -> int:
        """The first instant of the bench at which it shows a time."""
        passed_ns = shown_ns - self.start_ns
        if self._rate == NS_PER_S:
            return passed_ns
        return -(-passed_ns * NS_PER_S // self._rate)

    def after(self, span_ns: int) -> int:
        """The first instant of the bench at which a span of its time has passed from now on."""
        if self._rate == NS_PER_S:
            return self._queue.now_ns + span_ns
        return self.instant(self.now_ns() + span_ns)
