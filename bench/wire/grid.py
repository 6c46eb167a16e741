"""When bits begin where a segment is followed bit by bit: nominal bits, and faster ones in between.

Instants are counted in whole parts of a second that both kinds of bits are multiples of, from one
origin, so that rounding to whole nanoseconds does not add up.
"""

from __future__ import annotations

from math import gcd

from bench.clock.queue import NS_PER_S


class Grid:
    """The bits of an interlude, numbered from its origin on.

    :param origin_ns: when bit 0 begins.
    :param bit_rate: bits per second.
    :param data_bit_rate: bits per second while the grid is fast.
    """

    __slots__ = ("_base", "_base_bit", "_rate", "_scale", "_step", "fast", "nominal", "origin_ns")

    def __init__(self, origin_ns: int, bit_rate: int, data_bit_rate: int) -> None:
        self.origin_ns = origin_ns
        common = gcd(bit_rate, data_bit_rate)
        self.nominal = data_bit_rate // common
        """How many parts a nominal bit has."""
        self.fast = bit_rate // common
        """How many parts a bit at the data bit rate has."""
        self._rate = bit_rate
        self._scale = bit_rate * self.nominal
        self._step = self.nominal
        self._base = self._base_bit = 0

    @property
    def is_fast(self) -> bool:
        """Whether bits go at the data bit rate at present."""
        return self._step != self.nominal

    def instant(self, bit: int) -> int:
        """When a bit begins, if the rate stays as it is; rounded to the nearest ns."""
        parts = self._base + (bit - self._base_bit) * self._step
        return self.origin_ns + (2 * parts * NS_PER_S + self._scale) // (2 * self._scale)

    def bit_at(self, at_ns: int) -> int:
        """Which nominal bit an instant lies in, if the rate has not changed since the last bit."""
        parts = (at_ns - self.origin_ns) * self._scale // NS_PER_S - self._base
        return self._base_bit + parts // self._step

    def bits_in(self, span_ns: int) -> int:
        """How many nominal bits a span takes, rounded to the nearest whole one."""
        return (2 * span_ns * self._rate + NS_PER_S) // (2 * NS_PER_S)

    def switch(self, bit: int, *, fast: bool) -> None:
        """From a bit on, all go at the other rate."""
        self._base += (bit - self._base_bit) * self._step
        self._base_bit = bit
        self._step = self.fast if fast else self.nominal
