"""Bus load over time: how many bits a log's frames took, second by second.

A log of hours is kept in coarser and coarser slices, so that there are never more than
``MOST_SLICES`` of them.
"""

from __future__ import annotations

NS_PER_S = 1_000_000_000
MOST_SLICES = 4096
STANDARD_RATES = (125_000, 250_000, 500_000, 1_000_000)
"""Usual bit rates of classical CAN in vehicles, common practice."""


class Load:
    """Bits on the bus by slices of time, intermission included."""

    def __init__(self) -> None:
        self.slice_ns = NS_PER_S
        self.bits: dict[int, int] = {}
        self.total_bits = 0

    def take(self, at_ns: int, bits: int) -> None:
        """Bits that were on the bus at an instant."""
        place = at_ns // self.slice_ns
        self.total_bits += bits
        self.bits[place] = self.bits.get(place, 0) + bits
        if len(self.bits) > MOST_SLICES:
            merged: dict[int, int] = {}
            for place, number in self.bits.items():
                merged[place // 2] = merged.get(place // 2, 0) + number
            self.bits = merged
            self.slice_ns *= 2

    @property
    def busiest(self) -> tuple[int, float]:
        """Where the busiest slice begins (ns), and its bits per second."""
        place = max(self.bits, key=lambda place: (self.bits[place], -place), default=0)
        return place * self.slice_ns, self.bits.get(place, 0) * NS_PER_S / self.slice_ns

    def mean(self, lasted_ns: int) -> float:
        """Bits per second over the whole log."""
        return self.total_bits * NS_PER_S / lasted_ns if lasted_ns else 0.0

    def profile(self, lasted_ns: int, parts: int) -> list[float]:
        """Bits per second in each of so many equal parts of the log (or in fewer slices)."""
        slices = max(1, -(-lasted_ns // self.slice_ns))
        parts = max(1, min(parts, slices))
        sums = [0] * parts
        for place, bits in self.bits.items():
            sums[min(parts - 1, place * parts // slices)] += bits
        return [bits * parts * NS_PER_S / max(1, lasted_ns) for bits in sums]

    def rate_guess(self) -> int | None:
        """The slowest usual bit rate that carries the busiest slice; None if none does."""
        most = self.busiest[1]
        return next((rate for rate in STANDARD_RATES if rate >= most), None)
