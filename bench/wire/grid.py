"""The nominal bits of an interlude: when each of them begins and ends."""

from __future__ import annotations

from bench.clock.queue import NS_PER_S


class Grid:
    """Bits of equal length, counted from an instant on, so that rounding to ns does not add up.

    ``bit`` is the number of the present one, which lasts from ``bit_ns`` to ``end_ns``.
    """

    def __init__(self, origin_ns: int, bit_rate: int) -> None:
        self.origin_ns = origin_ns
        self.bit_rate = bit_rate
        self._whole_ns = 0 if NS_PER_S % bit_rate else NS_PER_S // bit_rate
        """The length of a bit where it needs no rounding, else 0."""
        self.bit = 0
        self.bit_ns = origin_ns
        self.end_ns = self.instant(1)

    def instant(self, bit: int) -> int:
        """When a bit begins, rounded to the nearest ns."""
        return self.origin_ns + (2 * bit * NS_PER_S + self.bit_rate) // (2 * self.bit_rate)

    def bits_in(self, span_ns: int) -> int:
        """How many bits a span takes, rounded to the nearest whole one."""
        return (2 * span_ns * self.bit_rate + NS_PER_S) // (2 * NS_PER_S)

    def move_on(self) -> None:
        """The next bit begins."""
        self.bit += 1
        self.bit_ns = self.end_ns
        if self._whole_ns:
            self.end_ns += self._whole_ns
        else:
            self.end_ns = self.instant(self.bit + 1)

    def move_to(self, now_ns: int) -> None:
        """The bit at an instant is the present one."""
        self.bit = (now_ns - self.origin_ns) * self.bit_rate // NS_PER_S
        self.bit_ns, self.end_ns = self.instant(self.bit), self.instant(self.bit + 1)
        while self.end_ns <= now_ns:
            self.move_on()

    def copy_grid(self, other: Grid) -> None:
        """Count bits as another one does."""
        self.origin_ns, self.bit_rate = other.origin_ns, other.bit_rate
        self.bit, self.bit_ns, self.end_ns = other.bit, other.bit_ns, other.end_ns
        self._whole_ns = other._whole_ns
