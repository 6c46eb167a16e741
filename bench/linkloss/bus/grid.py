"""When the bits of a segment that is followed bit by bit begin and end.

Most are nominal bits. While any station is in the faster part of a CAN FD frame, they are bits at
the data bit rate. Stations at the nominal rate (classical controllers, those that send error flags,
those that wait) then take a step whenever a nominal bit of theirs is over, with the level of the
fast bit in which it ends. When the last station leaves that part, nominal bits that are at least
half over count as whole, and the others start again: so all are in step again, as resynchronisation
achieves on a bus. A station that is idle begins no frame meanwhile.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import gcd

from linkloss.bus.protocol import Station
from linkloss.clock.queue import NS_PER_S


class Grid:
    """Bits counted from an instant on, so that rounding to ns does not add up.

    ``bit`` is the number of the present one, which lasts from ``bit_ns`` to ``end_ns``. Internally
    time counts in parts of a second of which bits of both rates are multiples: ``nominal`` and
    ``fast`` are how many parts a bit has.
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
        """Whether the present bit is at the data bit rate, where that differs from the
        nominal one.
        """
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
        """Make the bit at an instant the present one."""
        parts = (now_ns - self.origin_ns) * self._scale // NS_PER_S
        self.bit = self._base_bit + (parts - self._base) // self._size
        self.bit_ns, self.end_ns = self.instant(self.bit), self.instant(self.bit + 1)
        while self.end_ns <= now_ns:
            self.move_on()

    def switch(self, *, fast: bool) -> None:
        """From the present bit on, all bits are at the data bit rate, or at the nominal one
        again.
        """
        self._base += (self.bit - self._base_bit) * self._size
        self._base_bit = self.bit
        self._size = self.fast if fast else self.nominal
        self._whole_ns = self._whole()
        self.end_ns = self.instant(self.bit + 1)

    def _whole(self) -> int:
        parts_ns = self._size * NS_PER_S
        return 0 if parts_ns % self._scale else parts_ns // self._scale

    def copy_grid(self, other: Grid) -> None:
        """Count bits as another grid does."""
        self.origin_ns, self.bit_rate = other.origin_ns, other.bit_rate
        self.nominal, self.fast, self._scale = other.nominal, other.fast, other._scale
        self._size, self._base, self._base_bit = other._size, other._base, other._base_bit
        self.bit, self.bit_ns, self.end_ns = other.bit, other.bit_ns, other.end_ns
        self._whole_ns = other._whole_ns


class FastPart:
    """Which stations are in the faster part of a frame."""

    __slots__ = ("_fast", "_grid", "_left")

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self._fast: set[Station] = set()
        self._left: dict[Station, int] = {}
        """How much is left of the bit of each nominal station, in parts of the grid."""

    @property
    def going(self) -> bool:
        """Whether the present bit is a fast one."""
        return bool(self._fast)

    def goes_on(self, stations: Sequence[Station]) -> bool:
        """At the beginning of a bit, find the rate of each station. Returns whether it is a fast
        bit.
        """
        fast = {station for station in stations if station.fast}
        if not fast and not self._fast:
            return False
        if bool(fast) != bool(self._fast):
            self._grid.switch(fast=bool(fast))
            self._left.clear()
        for station in fast:
            self._left.pop(station, None)
        self._fast = fast
        return bool(fast)

    def inherit(self, other: FastPart) -> None:
        """Continue from the state of another one."""
        self._fast, self._left = set(other._fast), dict(other._left)

    def step(self, stations: Sequence[Station], seen: int) -> None:
        """The end of a fast bit. ``seen`` is the set of stations that see it dominant."""
        grid, left = self._grid, self._left
        for station in stations:
            level = 0 if seen & station.mask else 1
            if station in self._fast:
                station.step_own_bits(level)
                continue
            rest = left.get(station, grid.nominal) - grid.fast
            left[station] = rest if rest > 0 else rest + grid.nominal
            if rest <= 0:
                station.step_own_bits(level)
        if not any(station.fast for station in stations):
            self._fall_in(stations, seen)

    def _fall_in(self, stations: Sequence[Station], seen: int) -> None:
        for station in stations:
            if 2 * self._left.get(station, self._grid.nominal) <= self._grid.nominal:
                station.step_own_bits(0 if seen & station.mask else 1)
