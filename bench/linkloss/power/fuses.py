"""Fuses: how long one carries a current, how much of its life is used up, and how heat lowers its
rating.

The time-current band of a blade fuse (ISO 8820-3, types C and F) is the one that makers' datasheets
claim, looked up in transcriptions by others (second hand); the standard's own table was not read.
Between its points the model interpolates in logarithms. Above the last point the melting I2t is
constant (adiabatic).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from math import exp, inf, log, sqrt
from typing import Literal

Kind = Literal["blade", "maxi"]
Edge = Literal["fastest", "typical", "slowest"]
Band = tuple[tuple[float, float, float], ...]

BLADE: Band = (
    (1.10, 360_000.0, inf),
    (1.35, 0.75, 600.0),
    (1.60, 0.25, 50.0),
    (2.00, 0.15, 5.0),
    (3.50, 0.08, 0.5),
    (6.00, 0.03, 0.1),
)
"""(share of the rating, shortest and longest time in s) of types C and F. 135, 200 and 350 %:
datasheets; 160 %: a datasheet of 10 A; 110 and 600 %: from memory."""
MAXI: Band = (
    (1.10, 360_000.0, inf),
    (1.35, 60.0, 1800.0),
    (2.00, 2.0, 50.0),
    (3.50, 0.2, 7.0),
    (6.00, 0.04, 1.0),
)
"""The same for type E, from a datasheet, second hand; 110 % from memory."""
BANDS: dict[Kind, Band] = {"blade": BLADE, "maxi": MAXI}
RATINGS: dict[Kind, tuple[float, ...]] = {
    "blade": (1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40),
    "maxi": (20, 30, 40, 50, 60, 70, 80),
}
"""Ratings in A that are sold (ISO 8820-3 with its colour codes: partly looked up, partly from
memory).
"""
COLD_OHM: dict[Kind, Sequence[tuple[float, float]]] = {
    "blade": (
        (3, 0.031), (5, 0.0179), (7.5, 0.0109), (10, 0.0076), (15, 0.0047), (20, 0.0033),
        (25, 0.0025), (30, 0.0019), (40, 0.00144),
    ),
    "maxi": ((30, 0.0019), (35, 0.0017), (40, 0.0014), (60, 0.0009), (80, 0.00065)),
}  # fmt: skip
"""(A, ohm): 40 A and MAXI 30 to 40 A from datasheets, second hand, others from memory."""
DERATING: dict[Kind, Sequence[tuple[float, float]]] = {
    "blade": ((25, 1.0), (60, 0.95), (80, 0.90), (125, 0.79)),
    "maxi": ((20, 1.0), (65, 0.85), (85, 0.75), (110, 0.625), (125, 0.55)),
}
"""(degC, share of the rating): MAXI 40 A from a datasheet, second hand; blade from memory."""
CONTINUOUS_SHARE = 0.8
"""The most a fuse carries continuously, as a share of its rating: common practice."""
PULSE_SHARES = ((100_000, 0.22), (10_000, 0.29), (1_000, 0.38), (100, 0.48))
"""(pulses in a life, share of the melting I2t that each may have): a fuse maker's guide, looked up.
The pulses are 10 s apart.
"""
COOLING_S = 3.0
"""Time constant by which a fuse recovers: after the 10 s of that guide, by 96 %."""


def melting_s(share: float, kind: Kind = "blade", edge: Edge = "typical") -> float:
    """Time in s until a fuse opens at a constant current, as a share of its derated rating.

    ``edge``: the fastest fuse within the band, the slowest, or the geometric mean of both. Infinite
    at 110 % and below.
    """
    if share <= BANDS[kind][0][0]:
        return inf
    points = _points(kind, edge)
    last, shortest = points[-1]
    if share >= last:
        return shortest * (last / share) ** 2
    place = bisect_left(points, (share, 0.0))
    (x0, y0), (x1, y1) = points[place - 1], points[place]
    if y0 == inf:
        y0 = _OPEN_END_S
    return exp(log(y0) + (log(y1) - log(y0)) * (log(share) - log(x0)) / (log(x1) - log(x0)))


@cache
def _points(kind: Kind, edge: Edge) -> tuple[tuple[float, float], ...]:
    return tuple((x, _edge(low, high, edge)) for x, low, high in BANDS[kind])


_OPEN_END_S = 3_600_000.0
"""In place of 'for ever' at 110 %: 1000 h, so that 'typical' lies above the standard's 100 h."""


def _edge(low: float, high: float, edge: Edge) -> float:
    if edge == "fastest":
        return low
    if edge == "slowest":
        return high
    return sqrt(low * min(high, _OPEN_END_S))


def derated(rating: float, kind: Kind, degc: float) -> float:
    """The derated rating in A at an ambient temperature in degC."""
    return rating * _line(DERATING[kind], degc)


def cold_ohm(rating: float, kind: Kind) -> float:
    """Cold resistance of a fuse in ohm; the higher the rating in A, the lower."""
    table = COLD_OHM[kind]
    if rating <= table[0][0]:
        return table[0][1] * table[0][0] / rating
    return _line(table, rating)


def pulse_share(pulses: int) -> float:
    """The share of the melting I2t that each of so many pulses in a life may have, 100,000 at most;
    a number between two of the guide counts as the larger.
    """
    return next(share for most, share in reversed(PULSE_SHARES) if pulses <= most)


def melting_i2t(rating: float, kind: Kind = "blade", edge: Edge = "fastest") -> float:
    """I2t in A2s that opens a fuse of ``rating`` A in a short pulse, from the last point of its
    band.
    """
    share, low, high = BANDS[kind][-1]
    return (share * rating) ** 2 * _edge(low, high, edge)


def _line(table: Sequence[tuple[float, float]], x: float) -> float:
    if x <= table[0][0]:
        return table[0][1]
    for (x0, y0), (x1, y1) in pairwise(table):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return table[-1][1]


def smallest_for(current: float, kind: Kind = "blade", degc: float = 25.0) -> float | None:
    """The smallest rating in A that carries a continuous current in A; None if none does."""
    fits = (
        rating
        for rating in RATINGS[kind]
        if derated(rating, kind, degc) * CONTINUOUS_SHARE >= current - 1e-9
    )
    return next(fits, None)


@dataclass(slots=True, eq=False)
class Fuse:
    """One fuse in a run: ``spent`` goes from 0 to 1, where it opens.

    A constant current spends it in the typical time of its band; at 110 % or less it recovers.
    """

    rating: float
    kind: Kind = "blade"
    degc: float = 25.0
    spent: float = 0.0
    opened: bool = False
    faulty: bool = False
    """Whether it opened during a fault that can have caused it."""
    amps: float = 0.0
    """Current through it now, in A."""
    ohm: float = field(init=False)
    """Its resistance while whole."""
    safe: float = field(init=False)
    """The largest current in A that it carries indefinitely."""
    _worth: float = field(init=False)

    def __post_init__(self) -> None:
        self.ohm = cold_ohm(self.rating, self.kind)
        self._worth = derated(self.rating, self.kind, self.degc)
        self.safe = _SAFE * self._worth

    def advance(self, dt_s: float) -> None:
        """``amps`` have flowed for ``dt_s``. It opens when :meth:`left_s` said it would."""
        if self.opened:
            return
        whole = self._melting_s()
        if whole == inf:
            self.spent *= exp(-dt_s / COOLING_S)
            if self.spent < _FORGOTTEN:
                self.spent = 0.0
            return
        self.spent += dt_s / whole
        if self.spent >= 1 - 1e-9:
            self.opened = True

    def left_s(self) -> float:
        """How long it will carry ``amps`` from now on, in s; inf: for ever, or already open."""
        if self.opened:
            return inf
        return max(0.0, 1 - self.spent) * self._melting_s()

    def _melting_s(self) -> float:
        amps = abs(self.amps)
        return inf if amps <= self.safe else melting_s(amps / self._worth, self.kind)


_SAFE = 1.1
"""Up to this share of its rating no fuse ever opens."""
_FORGOTTEN = 1e-4
"""A fuse spent by less than this counts as new."""
