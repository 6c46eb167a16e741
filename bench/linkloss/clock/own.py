"""The clock of one node: what it shows when it starts, and how much too fast it runs.

A crystal is wrong by some tens of parts per million, and a counter of milliseconds or microseconds
rolls over some day. So a program's own time is not the bench's: what it reads, and how long its
timers, waits and periods take, goes through here. What is recorded stays in the bench's time.
"""

from __future__ import annotations

from linkloss.clock.queue import NS_PER_S, EventQueue


class OwnClock:
    """A clock that shows ``start_ns`` at instant zero of the run, and runs ``ppm`` too fast.

    Exact to the nanosecond: the rate is kept in whole parts per billion. A clock that reads true
    is ``OwnClock(queue)``.
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
