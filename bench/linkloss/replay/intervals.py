"""The times between frames, in memory that does not grow with their number.

They are counted by whole units. Where there come to be too many different ones the unit doubles:
a median is then exact to that unit, which stays small beside the times it is counted in.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

MOST_DIFFERENT = 2048
FIRST_UNIT_NS = 1000


class Intervals:
    """Times between neighbours of a series of instants; all in ns."""

    def __init__(self, alarms_ns: Sequence[int] = ()) -> None:
        """``alarms_ns``: lengths; for each, the intervals above it are counted."""
        self.alarms = {alarm_ns: Alarm(alarm_ns) for alarm_ns in sorted(set(alarms_ns))}
        self.count = 0
        self.longest_ns = 0
        self.longest_at_ns = 0
        self.shortest_ns: int | None = None
        self.unit_ns = FIRST_UNIT_NS
        self._least_alarm_ns = min(self.alarms, default=None)
        self._counts: Counter[int] = Counter()
        self._last_ns: int | None = None

    def take(self, times: Sequence[int]) -> None:
        """More instants, later than all before."""
        if self._last_ns is not None:
            times = [self._last_ns, *times]
        self._last_ns = times[-1]
        spans = [later - earlier for earlier, later in pairwise(times)]
        if not spans:
            return
        self.count += len(spans)
        unit_ns = self.unit_ns
        self._counts.update([span // unit_ns for span in spans])
        longest_ns, shortest_ns = max(spans), min(spans)
        if longest_ns > self.longest_ns:
            self.longest_ns = longest_ns
            self.longest_at_ns = times[spans.index(longest_ns)]
        self.shortest_ns = min(shortest_ns, self.shortest_ns or shortest_ns)
        if self._least_alarm_ns is not None and longest_ns > self._least_alarm_ns:
            for at_ns, span in zip(times, spans, strict=False):
                self._sound(at_ns, span)
        while len(self._counts) > MOST_DIFFERENT:
            self._coarser()

    def end(self, end_ns: int) -> None:
        """The series is over; a silence up to its end counts for the alarms."""
        if self._last_ns is not None:
            self._sound(self._last_ns, end_ns - self._last_ns)

    def _sound(self, at_ns: int, span_ns: int) -> None:
        for alarm_ns, alarm in self.alarms.items():
            if span_ns > alarm_ns:
                alarm.note(at_ns, span_ns)

    def quantile(self, share: float) -> int | None:
        """The interval that this share of all does not exceed, in ns; None without any."""
        wanted, seen = share * self.count, 0
        for value in sorted(self._counts):
            seen += self._counts[value]
            if seen >= wanted:
                return value * self.unit_ns + (self.unit_ns // 2 if self.unit_ns > 1000 else 0)
        return None

    @property
    def median_ns(self) -> int | None:
        """The middle one."""
        return self.quantile(0.5)

    @property
    def jitter_ns(self) -> int | None:
        """Half of the span that the middle nine tenths of the intervals take."""
        low, high = self.quantile(0.05), self.quantile(0.95)
        return None if low is None or high is None else (high - low) // 2

    def _coarser(self) -> None:
        merged: Counter[int] = Counter()
        for value, number in self._counts.items():
            merged[value // 2] += number
        self._counts = merged
        self.unit_ns *= 2


class Alarm:
    """Silences longer than a limit: how many, and the longest of them."""

    def __init__(self, limit_ns: int) -> None:
        self.limit_ns = limit_ns
        self.times = 0
        self.longest_ns = 0
        self.longest_at_ns = 0

    def note(self, at_ns: int, span_ns: int) -> None:
        """A silence that began at an instant."""
        self.times += 1
        if span_ns > self.longest_ns:
            self.longest_ns, self.longest_at_ns = span_ns, at_ns
