"""Loads, each from a few values of its nameplate.

Seen from its terminals every load is at any instant a straight line, ``I = g V + i0``
(:class:`Line`); what moves with time (a filament's heat, a motor's speed) is its state. The circuit
is solved with the lines; :meth:`Load.advance` moves the state while the terminals behind a known
resistance stay as they are. Volts, amperes, ohms, seconds.

``duty`` is the share of time that a switch that dims is on: currents and powers are means over its
period, which is far shorter than anything here.

The filament lamp: its cold inrush, its warm-up, and what voltage does to its light.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, inf
from typing import NamedTuple

SETTLED = 0.002
"""A state this near to where it is going counts as there (share of the way)."""
STEP = 0.2
"""A current that moves by more than this share of itself needs a new solution of the circuit..."""
STEP_V = 0.1
"""... unless that moves its own terminals by less than this."""


class Line(NamedTuple):
    """``I = g V + i0`` between the terminals, valid around the voltage it was asked for."""

    g: float
    i0: float


class Lined:
    """What draws a current along pieces of straight lines, which never falls with the voltage."""

    __slots__ = ()

    def line(self, volts: float) -> Line:
        """Its straight line around a voltage at its own terminals."""
        raise NotImplementedError

    def knees(self) -> tuple[float, ...]:
        """Voltages at which one line ends and the next begins, the lowest first; it is a single
        line without any.
        """
        return ()


class Load(Lined):
    """What a circuit knows of a load. This one has no state: nothing moves."""

    __slots__ = ()

    def advance(self, volts: float, ohm: float, dt_s: float, limit: float, duty: float) -> None:
        """``volts`` behind ``ohm`` (inf: it is switched off) drive it for ``dt_s``, with no more
        than ``limit`` A.
        """

    def next_s(
        self, volts: float, ohm: float, limit: float, duty: float, source_ohm: float
    ) -> float:
        """Time until the circuit wants to be solved again for its sake, if all stays; inf: none.

        ``source_ohm`` lies between the battery and its switch.
        """
        return inf


def step_s(amps: float, moves: float, settle_s: float, source_ohm: float) -> float:
    """Until a current in A that moves at ``moves`` A/s needs looking at again, in s; ``settle_s``
    where it does not move that far. ``source_ohm`` lies between the battery and the load's switch.
    """
    allowed = max(STEP * abs(amps), STEP_V / source_ohm)
    return allowed / moves if moves * settle_s > allowed else settle_s


@dataclass(slots=True)
class Led(Load):
    """LEDs with a resistor or a linear regulator's slope: no current below the knee.

    The charge of an input capacitor (under 1 ms) is not modelled.
    """

    volts: float
    amps: float
    knee: float

    def line(self, volts: float) -> Line:
        """A resistor behind the knee."""
        g = self.amps / (self.volts - self.knee)
        return Line(g, -g * self.knee) if volts > self.knee else Line(0.0, 0.0)

    def knees(self) -> tuple[float, ...]:
        """One."""
        return (self.knee,)


@dataclass(slots=True)
class Heater(Load):
    """A resistor."""

    volts: float
    amps: float

    def line(self, volts: float) -> Line:
        """A resistor."""
        return Line(self.amps / self.volts, 0.0)


ELECTRONICS_FROM_V = 5.0


@dataclass(slots=True)
class Electronics(Load):
    """A constant current from ``ELECTRONICS_FROM_V`` up (behind a linear regulator); a resistor
    below.
    """

    amps: float

    def line(self, volts: float) -> Line:
        """Constant current, or a resistor."""
        if volts >= ELECTRONICS_FROM_V:
            return Line(0.0, self.amps)
        return Line(self.amps / ELECTRONICS_FROM_V, 0.0)

    def knees(self) -> tuple[float, ...]:
        """One."""
        return (ELECTRONICS_FROM_V,)


@dataclass(slots=True)
class Motor(Load):
    """A motor with permanent magnets and a constant torque on its shaft.

    ``emf`` is the voltage that its speed makes. I = (V - emf) / R with R = volts / stall current;
    the torque that is left speeds it up: d(emf)/dt = (I - run current) R / time constant, which is
    an exponential whatever lead lies before it.
    """

    volts: float
    amps: float
    stall_amps: float
    start_s: float = 0.1
    emf: float = 0.0

    @property
    def ohm(self) -> float:
        """Of its winding and brushes."""
        return self.volts / self.stall_amps

    def line(self, volts: float) -> Line:
        """A resistor behind the voltage of its speed."""
        return Line(1 / self.ohm, -self.emf / self.ohm)

    def advance(self, volts: float, ohm: float, dt_s: float, limit: float, duty: float) -> None:
        """An exact exponential towards the speed at which the torques are equal."""
        goal, time_s = self._goal(volts, ohm, limit, duty)
        if time_s == inf:
            self.emf = max(0.0, self.emf - self.amps * self.ohm * dt_s / self.start_s)
        elif time_s == 0:  # a limited current: a constant torque
            rate = (duty * limit - self.amps) * self.ohm / self.start_s
            self.emf = max(0.0, self.emf + rate * dt_s)
        else:
            self.emf = max(0.0, goal + (self.emf - goal) * exp(-dt_s / time_s))

    def _goal(self, volts: float, ohm: float, limit: float, duty: float) -> tuple[float, float]:
        """The voltage of its last speed and the time constant; inf: off, 0: limited current."""
        if ohm == inf or duty == 0:
            return 0.0, inf
        whole = self.ohm + ohm
        if (volts - self.emf) / whole > limit:
            return 0.0, 0.0
        return volts - self.amps * whole / duty, self.start_s * whole / (self.ohm * duty)

    def next_s(
        self, volts: float, ohm: float, limit: float, duty: float, source_ohm: float
    ) -> float:
        """The current changes by so much, or it runs."""
        goal, time_s = self._goal(volts, ohm, limit, duty)
        if time_s == inf:
            return inf
        if time_s == 0:
            full = (volts - limit * (self.ohm + ohm) - self.emf) * self.start_s / self.ohm
            torque = duty * limit - self.amps
            return full / torque if torque > 0 else inf
        goal = max(0.0, goal)
        if abs(goal - self.emf) < SETTLED * max(abs(volts), 1.0):
            return inf
        whole = self.ohm + ohm
        moves = abs(goal - self.emf) / time_s / whole
        return step_s((volts - self.emf) / whole, moves, 4 * time_s, source_ohm)


@dataclass(slots=True)
class Solenoid(Load):
    """A coil with an armature: the pull-in current for ``pull_in_s``, then the holding current.

    It pulls in from ``pull_in_volts`` up and lets go below ``drop_volts``. The inductance of its
    windings is not modelled.
    """

    volts: float
    amps: float
    pull_in_amps: float
    pull_in_s: float = 0.03
    pull_in_volts: float = 6.0
    drop_volts: float = 2.5
    pulled: bool = False
    since_s: float = 0.0

    def line(self, volts: float) -> Line:
        """A resistor, by where the armature is."""
        return Line((self.amps if self.pulled else self.pull_in_amps) / self.volts, 0.0)

    def advance(self, volts: float, ohm: float, dt_s: float, limit: float, duty: float) -> None:
        """The armature moves once it was pulled for long enough."""
        at_coil = self._at_coil(volts, ohm, limit, duty)
        if at_coil < (self.drop_volts if self.pulled else self.pull_in_volts):
            self.pulled, self.since_s = False, 0.0
        elif not self.pulled:
            self.since_s += dt_s
            self.pulled = self.since_s >= self.pull_in_s - 1e-9

    def next_s(
        self, volts: float, ohm: float, limit: float, duty: float, source_ohm: float
    ) -> float:
        """The armature arrives."""
        at_coil = self._at_coil(volts, ohm, limit, duty)
        if self.pulled:
            return 1e-6 if at_coil < self.drop_volts else inf
        if at_coil < self.pull_in_volts:
            return inf
        return max(self.pull_in_s - self.since_s, 1e-6)

    def _at_coil(self, volts: float, ohm: float, limit: float, duty: float) -> float:
        g = self.line(volts).g
        return 0.0 if ohm == inf else duty * min(volts / (1 + ohm * g), limit / g)


IES_CURRENT = 0.55
"""A lamp's current goes with its voltage to this power (IES exponents: power 1.55, light 3.4, life
-13; from memory)."""
_COOLING = 2 / (1 - IES_CURRENT) - 1
"""Power lost by a filament goes with its resistance to this power, from V**1.55 and V**0.45."""
IES_LIGHT = 3.4


@dataclass(slots=True)
class Filament(Load):
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
