"""Two bit rates at one time: the faster part of a CAN FD frame, followed bit by bit.

While any station is in that part, a step of the interlude is a bit at the data bit rate, and those
at the nominal rate (classical controllers, those that send error flags, those that wait) take a
step whenever a nominal bit of theirs is over. They see the level of the fast bit in which it ends.
When the last one leaves the fast part, the nominal bits that are at least half over count as whole,
and the others begin anew: so all are in step again, as resynchronisation brings about on a wire.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.wire.grid import Grid
    from bench.wire.station import Station


class Paces:
    """Which stations of an interlude go at which rate."""

    __slots__ = ("_fast", "_grid", "_left")

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self._fast: set[Station] = set()
        self._left: dict[Station, int] = {}
        """How much is left of the bit of each nominal station, in parts of the grid."""

    def begin_bit(self, bit: int, stations: Sequence[Station]) -> None:
        """Before a bit: who goes at which rate during it."""
        fast = {station for station in stations if station.fast}
        if not fast and not self._fast:
            return
        if bool(fast) != bool(self._fast):
            self._grid.switch(bit, fast=bool(fast))
            self._left.clear()
        for station in stations:
            if station in fast:
                self._left.pop(station, None)
            elif fast:
                self._left.setdefault(station, self._grid.nominal)
        self._fast = fast

    def inherited(self, grid: Grid) -> Paces:
        """The same for another interlude, on a copy of the grid."""
        other = Paces(grid)
        other._fast, other._left = set(self._fast), dict(self._left)
        return other

    @property
    def mixed(self) -> bool:
        """Whether the present bit is a fast one."""
        return bool(self._fast)

    def step(self, stations: Sequence[Station], seen: int) -> None:
        """The end of a fast bit. ``seen`` is the set of those who see it dominant."""
        grid, left = self._grid, self._left
        for station in stations:
            if station in self._fast:
                station.step(0 if seen & station.mask else 1)
                continue
            rest = left.get(station, grid.nominal) - grid.fast
            left[station] = rest if rest > 0 else rest + grid.nominal
            if rest <= 0:
                station.step(0 if seen & station.mask else 1)
        if not any(station.fast for station in stations):
            self._fall_in(stations, seen)

    def _fall_in(self, stations: Sequence[Station], seen: int) -> None:
        for station in stations:
            if 2 * self._left.get(station, self._grid.nominal) <= self._grid.nominal:
                station.step(0 if seen & station.mask else 1)
