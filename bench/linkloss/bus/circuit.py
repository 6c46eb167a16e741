"""The two conductors as a circuit: which transceivers see a dominant level while some drive one.

Conductors are ideal, so that everything joined by copper is one *net*; what stands between nets is
worked out as a network of resistors in its steady state:

    CAN_H ----+-----------+-----  terminators 120 ohm between CAN_H and CAN_L
              |           |
           [120]       driver: 4.3 V through 24 ohm and a diode into CAN_H,
              |           |    from CAN_L through a diode and 24 ohm to 0.7 V
    CAN_L ----+-----------+-----  bias: each pin 25 kohm to 2.5 V

With 60 ohm in between a driver then makes 3.5 V and 1.5 V, 2.0 V apart; a receiver takes more than
0.7 V for dominant (ISO 11898-2: 1.5 to 3.0 V driven, 0.5 to 0.9 V undecided; from memory), as long
as the mean of both conductors is within -12 to +12 V of its own ground (edition of 2016; from
memory). Left out: the resistance of the cable (0.07 ohm/m), limits of the drivers' current, and
what an open input picks up from outside: it stays at its bias.

Which shorts kill a bus and which only shift its levels was compared with a car maker's service
manual for high-speed CAN (tests/against/test_wiring_faults.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

TERMINATOR_OHM = 120.0
BIAS_OHM = 25_000.0
BIAS_V = 2.5
DRIVER_OHM = 24.0
DRIVER_HIGH_V = 4.3
DRIVER_LOW_V = 0.7
DOMINANT_V = 0.7
COMMON_MODE_V = 12.0
_LEAK_OHM = 1e9
"""From every net to the bias, so that a net without anything on it has a level at all."""

GROUND = "ground"
SUPPLY = "supply"
SUPPLY_V = 13.5
"""Of a 12 V car with its engine running (common practice)."""

Net = str


class Nets:
    """Points that copper joins into nets."""

    def __init__(self) -> None:
        self._up: dict[str, str] = {}

    def join(self, one: str, other: str) -> None:
        """Copper between two points."""
        one, other = self.of(one), self.of(other)
        if one != other:
            # the rails keep their names
            if one in (GROUND, SUPPLY):
                one, other = other, one
            self._up[one] = other

    def of(self, point: str) -> Net:
        """The net that a point belongs to."""
        while point in self._up:
            point = self._up[point]
        return point


@dataclass(frozen=True, slots=True)
class Transceiver:
    """The pins of a transceiver: the nets that its CAN_H and CAN_L are on, and its own ground."""

    high: Net
    low: Net
    ground_v: float = 0.0


@dataclass(frozen=True, slots=True)
class Circuit:
    """Transceivers and terminators on nets."""

    transceivers: Sequence[Transceiver]
    terminators: Sequence[tuple[Net, Net]]
    rails: Mapping[Net, float] = field(default_factory=lambda: {GROUND: 0.0, SUPPLY: SUPPLY_V})

    def seen(self, driven: int) -> int:
        """The set of transceivers that see a dominant level while a set of them drives one."""
        volts = self.volts(driven)
        seen = 0
        for place, it in enumerate(self.transceivers):
            high, low = volts[it.high], volts[it.low]
            shifted = (high + low) / 2 - it.ground_v
            if high - low > DOMINANT_V and abs(shifted) <= COMMON_MODE_V:
                seen |= 1 << place
        return seen

    def volts(self, driven: int) -> dict[Net, float]:
        """The level of each net in volts while a set of transceivers drives dominant."""
        sources = []
        for place, it in enumerate(self.transceivers):
            if driven >> place & 1:
                sources.append((it.high, DRIVER_HIGH_V + it.ground_v, 1))
                sources.append((it.low, DRIVER_LOW_V + it.ground_v, -1))
        while True:
            volts = self._solve(sources)
            # a diode lets no current through the wrong way
            flowing = [
                (net, volt, way) for net, volt, way in sources if (volt - volts[net]) * way >= 0
            ]
            if len(flowing) == len(sources):
                return volts
            sources = flowing

    def _solve(self, sources: Sequence[tuple[Net, float, int]]) -> dict[Net, float]:
        """Kirchhoff's current law for each net: its conductances times the levels are currents."""
        nets = sorted(
            {net for it in self.transceivers for net in (it.high, it.low)}
            | {net for pair in self.terminators for net in pair}
        )
        free = {net: row for row, net in enumerate(n for n in nets if n not in self.rails)}
        size = len(free)
        rows = [[0.0] * (size + 1) for _ in range(size)]

        def pull(net: Net, volt: float, ohm: float) -> None:
            if net in free:
                rows[free[net]][free[net]] += 1 / ohm
                rows[free[net]][size] += volt / ohm

        for net in free:
            pull(net, BIAS_V, _LEAK_OHM)
        for it in self.transceivers:
            pull(it.high, BIAS_V + it.ground_v, BIAS_OHM)
            pull(it.low, BIAS_V + it.ground_v, BIAS_OHM)
        for net, volt, _ in sources:
            pull(net, volt, DRIVER_OHM)
        for pair in self.terminators:
            for one, other in (pair, pair[::-1]):
                if other in self.rails:
                    pull(one, self.rails[other], TERMINATOR_OHM)
                elif one in free and one != other:
                    rows[free[one]][free[one]] += 1 / TERMINATOR_OHM
                    rows[free[one]][free[other]] -= 1 / TERMINATOR_OHM
        levels = _eliminate(rows)
        return {**dict(zip(free, levels, strict=True)), **self.rails}


def _eliminate(rows: list[list[float]]) -> list[float]:
    """Solve linear equations (Gauss and Jordan). The matrix of a resistor network is diagonally
    dominant, so that no row has to be exchanged.
    """
    for place, row in enumerate(rows):
        pivot = row[place]
        rows[place] = row = [value / pivot for value in row]
        for other, values in enumerate(rows):
            if other != place and values[place]:
                factor = values[place]
                rows[other] = [a - factor * b for a, b in zip(values, row, strict=True)]
    return [row[-1] for row in rows]
