"""How late a paced queue was: a histogram of bounded size, however long a session lasts.

Buckets grow by a factor of 2 ** (1/8), so that a percentile is told at most 9 % too high and never
too low. One microsecond and less is one bucket, and so is what is later than 19 hours.
"""

from __future__ import annotations

from bisect import bisect_left

_BOUNDS_NS = tuple(round(1_000 * 2 ** (place / 8)) for place in range(36 * 8 + 1))
"""The largest delay in each bucket but the last."""


class Lateness:
    """Counts of delays in wall-clock nanoseconds."""

    def __init__(self) -> None:
        self.counts = [0] * (len(_BOUNDS_NS) + 1)
        self.total = 0
        self.worst_ns = 0

    def note(self, late_ns: int) -> None:
        """Something happened so much later than it should have; negative counts as in time."""
        self.counts[bisect_left(_BOUNDS_NS, late_ns)] += 1
        self.total += 1
        self.worst_ns = max(self.worst_ns, late_ns)

    def percentile(self, share: float) -> int:
        """The delay in ns that a share (0 to 1) of all stayed within; 0 before the first one."""
        seen = 0
        for bound_ns, count in self.bars():
            seen += count
            if seen >= share * self.total:
                return bound_ns
        return 0

    def bars(self) -> list[tuple[int, int]]:
        """(largest delay in ns, count) of every bucket that holds something, in order."""
        bounds_ns = (*_BOUNDS_NS, self.worst_ns)
        return [
            (min(bound_ns, self.worst_ns), count)
            for bound_ns, count in zip(bounds_ns, self.counts, strict=True)
            if count
        ]
