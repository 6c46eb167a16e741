"""The filament lamp: its cold inrush, its warm-up, and what voltage does to its light."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, inf

from linkloss.power.loads import SETTLED, Line, Straight, step_s

IES_CURRENT = 0.55
"""A lamp's current goes with its voltage to this power (IES exponents: power 1.55, light 3.4, life
-13; from memory)."""
_COOLING = 2 / (1 - IES_CURRENT) - 1
"""Power lost by a filament goes with its resistance to this power, from V**1.55 and V**0.45."""
IES_LIGHT = 3.4


@dataclass(slots=True)
class Filament(Straight):
    """A lamp: cold it has a tenth of its hot resistance, and warms up in tens of milliseconds.

    ``warmth`` is its resistance as a share of the hot one at rated volts. Heat flows in as I2R and
    out as rated power x warmth**3.44, which gives the IES exponents; the heat kept is rated power x
    ``_time_s`` x warmth. From cold at rated volts behind no lead the current has come down to
    within 2 % of its last value after ``warm_up_s``, and to twice that value after an eighth of it
    (10 to 12 times at first, twice after 3 to 5 ms: an abstract on lamp drivers, looked up; the
    default gives 10 times and 4.8 ms).
    """

    volts: float
    amps: float
    cold: float = 0.1
    warm_up_s: float = 0.036
    warmth: float = -1.0
    hot_ohm: float = field(init=False)
    """Its resistance at rated volts."""
    _time_s: float = field(init=False)

    def __post_init__(self) -> None:
        self.hot_ohm = self.volts / self.amps
        self._time_s = self.warm_up_s / _WARM_UP_TIMES
        if self.warmth < 0:
            self.warmth = self.cold

    def line(self, volts: float) -> Line:
        """A resistor, for the moment."""
        del volts
        return Line(1 / (self.hot_ohm * self.warmth), 0.0)

    def advance(self, volts: float, ohm: float, dt_s: float, limit: float, duty: float) -> None:
        """Heun's method in steps that change the warmth by less than a tenth; near the end an
        exponential; off it cools, for which there is a formula.
        """
        if ohm == inf or duty == 0:
            cooler = self.warmth ** (1 - _COOLING) + (_COOLING - 1) * dt_s / self._time_s
            self.warmth = max(self.cold, cooler ** (1 / (1 - _COOLING)))
            return
        volts, left = max(0.0, volts), dt_s
        while left > 0:
            warmth = self.warmth
            rate, settles_s = self._rate(warmth, volts, ohm, limit, duty), self._settles_s()
            if abs(rate) * settles_s < 0.02 * warmth:
                self.warmth += rate * settles_s * (1 - exp(-left / settles_s))
                return
            step = min(left, 0.1 * warmth / abs(rate), settles_s / 2)
            there = max(self.cold, warmth + rate * step)
            mean = (rate + self._rate(there, volts, ohm, limit, duty)) / 2
            self.warmth = max(self.cold, warmth + mean * step)
            left -= step

    def _settles_s(self) -> float:
        """Time constant of a small disturbance at the present warmth."""
        steep: float = (_COOLING + 1) * self.warmth ** (_COOLING - 1)
        return self._time_s / steep

    def next_s(
        self, volts: float, ohm: float, limit: float, duty: float, source_ohm: float
    ) -> float:
        """The current changes by so much, or it is warm."""
        volts = max(0.0, volts)
        rate, settles_s = self._rate(self.warmth, volts, ohm, limit, duty), self._settles_s()
        if abs(rate) * settles_s < SETTLED * self.warmth:
            return inf
        own = self.hot_ohm * self.warmth
        amps = min(volts / (ohm + own), limit)
        moves = amps * self.hot_ohm * abs(rate) / (ohm + own)  # A/s
        return step_s(amps, moves, 4 * settles_s, source_ohm)

    def _rate(self, warmth: float, volts: float, ohm: float, limit: float, duty: float) -> float:
        own = self.hot_ohm * warmth
        amps = min(volts / (ohm + own), limit)
        lost: float = warmth**_COOLING - self.cold**_COOLING
        return (duty * amps * amps * own / (self.volts * self.amps) - lost) / self._time_s

    def light(self) -> float:
        """Light as a share of that at rated volts: flux goes with V**3.4, warmth with V**0.45."""
        share: float = self.warmth ** (IES_LIGHT / (1 - IES_CURRENT))
        return share


_WARM_UP_TIMES = 0.913
"""How many time constants from a tenth to within 2 % of the last current, by integration."""
