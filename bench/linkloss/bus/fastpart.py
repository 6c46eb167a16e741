"""The faster part of a CAN FD frame, followed bit by bit: two bit rates at one time.

While any station is in that part, a bit of the interlude is one at the data bit rate, and stations
at the nominal rate (classical controllers, those that send error flags, those that wait) take a
step whenever a nominal bit of theirs is over. They see the level of the fast bit in which it ends.
When the last one leaves the part, the nominal bits that are at least half over count as whole, and
the others begin anew: so all are in step again, as resynchronisation brings about on a bus. A
station that is idle begins no frame meanwhile.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from linkloss.bus.grid import Grid
    from linkloss.bus.protocol import Station


class FastPart:
    """Which stations of an interlude are in the faster part of a frame."""

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
        """At the beginning of a bit: who goes at which rate during it. Whether it is a fast one."""
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
        """Go on where another interlude stands."""
        self._fast, self._left = set(other._fast), dict(other._left)

    def step(self, stations: Sequence[Station], seen: int) -> None:
        """The end of a fast bit. ``seen`` is the set of those who see it dominant."""
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
