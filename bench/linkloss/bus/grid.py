"""The bits of an interlude: when each of them begins and ends.

Most are nominal bits. For the faster part of a CAN FD frame they are bits at the data bit rate.
"""

from __future__ import annotations

from math import gcd

from linkloss.clock.queue import NS_PER_S


class Grid:
    """Bits counted from an instant on, so that rounding to ns does not add up.

    ``bit`` is the number of the present one, which lasts from ``bit_ns`` to ``end_ns``. Inside,
    time is counted in parts of a second that bits of both rates are multiples of: ``nominal``
    and ``fast`` are how many parts a bit has.
    """

    def __init__(self, origin_ns: int, bit_rate: int, data_bit_rate: int) -> None:
        self.origin_ns = origin_ns
        self.bit_rate = bit_rate
        common = gcd(bit_rate, data_bit_rate)
        self.nominal = data_bit_rate // common
        self.fast = bit_rate // common
        self._scale = bit_rate * self.nominal
        self._size = self.nominal
        self._base = self._base_bit = 0
        self._whole_ns = self._whole()
        """The length of a bit where it needs no rounding, else 0."""
        self.bit = 0
        self.bit_ns = origin_ns
        self.end_ns = self.instant(1)

    @property
    def is_fast(self) -> bool:
        """Whether the present bit is one at the data bit rate, and that is another one."""
        return self._size != self.nominal

    def instant(self, bit: int) -> int:
        """When a bit begins if the rate stays as it is, rounded to the nearest ns."""
        parts = self._base + (bit - self._base_bit) * self._size
        return self.origin_ns + (2 * parts * NS_PER_S + self._scale) // (2 * self._scale)

    def bits_in(self, span_ns: int) -> int:
        """How many nominal bits a span takes, rounded to the nearest whole one."""
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
        parts = (now_ns - self.origin_ns) * self._scale // NS_PER_S
        self.bit = self._base_bit + (parts - self._base) // self._size
        self.bit_ns, self.end_ns = self.instant(self.bit), self.instant(self.bit + 1)
        while self.end_ns <= now_ns:
            self.move_on()

    def switch(self, *, fast: bool) -> None:
        """From the present bit on, all go at the data bit rate, or at the nominal one again."""
        self._base += (self.bit - self._base_bit) * self._size
        self._base_bit = self.bit
        self._size = self.fast if fast else self.nominal
        self._whole_ns = self._whole()
        self.end_ns = self.instant(self.bit + 1)

    def _whole(self) -> int:
        parts_ns = self._size * NS_PER_S
        return 0 if parts_ns % self._scale else parts_ns // self._scale

    def copy_grid(self, other: Grid) -> None:
        """Count bits as another one does."""
        self.origin_ns, self.bit_rate = other.origin_ns, other.bit_rate
        self.nominal, self.fast, self._scale = other.nominal, other.fast, other._scale
        self._size, self._base, self._base_bit = other._size, other._base, other._base_bit
        self.bit, self.bit_ns, self.end_ns = other.bit, other.bit_ns, other.end_ns
        self._whole_ns = other._whole_ns
