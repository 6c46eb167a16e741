"""Loads, each described by a few values from its nameplate.

Seen from its terminals, every load at any instant is a straight line, ``I = g V + i0``
(:class:`Line`). What changes with time (a filament's heat, a motor's speed) is its state. The
circuit is solved with the lines; :meth:`Load.advance` moves the state on at a constant voltage
behind a known resistance. Units are volts, amperes, ohms, seconds.

``duty`` is the share of time for which a dimming switch is on. Currents and powers are means over
its period, which is far shorter than any time constant here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, inf
from typing import NamedTuple

SETTLED = 0.002
"""A filament's resistance, or a motor's current, this close to its final value counts as settled
(relative)."""
STEP = 0.2
"""A current that changes by more than this share needs a new solution of the circuit..."""
STEP_V = 0.1
"""... unless that changes the voltage at the load's own terminals by less than this."""


class Line(NamedTuple):
    """``I = g V + i0`` between the terminals, in S and A, valid around the voltage it was asked
    for.
    """

    g: float
    i0: float


class Lined:
    """Something whose current is a piecewise linear function of voltage that never falls as the
    voltage rises.
    """

    __slots__ = ()

    def line(self, volts: float) -> Line:
        """Its line around a voltage at its own terminals."""
        raise NotImplementedError

    def knees(self) -> tuple[float, ...]:
        """Voltages at which one line ends and the next begins, the lowest first; none for a single
        line.
        """
        return ()


class Load(Lined):
    """What a circuit knows of a load. This one has no state."""

    __slots__ = ()

    def advance(self, volts: float, ohm: float, dt_s: float, limit: float, duty: float) -> None:
        """Move the state on by ``dt_s``, driven by ``volts`` behind ``ohm`` (inf: switched off)
        with at most ``limit`` A.
        """

    def next_s(
        self, volts: float, ohm: float, limit: float, duty: float, source_ohm: float
    ) -> float:
        """Time in s until this load needs a new solution if nothing else changes; inf: never.

        ``source_ohm`` lies between the battery and its switch.
        """
        return inf


def step_s(amps: float, moves: float, settle_s: float, source_ohm: float) -> float:
    """Time in s until a current in A that changes at ``moves`` A/s needs a new solution, or
    ``settle_s`` if it does not change that much. ``source_ohm`` lies between the battery and the
    load's switch.
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
        """Its only knee."""
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
    """A constant current from ``ELECTRONICS_FROM_V`` up (a linear regulator); below, a resistor."""

    amps: float

    def line(self, volts: float) -> Line:
        """Constant current, or a resistor."""
        if volts >= ELECTRONICS_FROM_V:
            return Line(0.0, self.amps)
        return Line(self.amps / ELECTRONICS_FROM_V, 0.0)

    def knees(self) -> tuple[float, ...]:
        """Its only knee."""
        return (ELECTRONICS_FROM_V,)


@dataclass(slots=True)
class Motor(Load):
    """A permanent-magnet motor with a constant torque on its shaft.

    ``emf`` is its back EMF, proportional to its speed. I = (V - emf) / R with R = volts / stall
    current; the remaining torque accelerates it: d(emf)/dt = (I - run current) R / time constant.
    That is an exponential, whatever the resistance of the lead before it.
    """

    volts: float
    amps: float
    stall_amps: float
    start_s: float = 0.1
    emf: float = 0.0

    @property
    def ohm(self) -> float:
        """Resistance of its winding and brushes."""
        return self.volts / self.stall_amps

    def line(self, volts: float) -> Line:
        """A resistor behind the back EMF."""
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
        """The back EMF at its final speed and the time constant in s; inf: off, 0: limited
        current.
        """
        if ohm == inf or duty == 0:
            return 0.0, inf
        whole = self.ohm + ohm
        if (volts - self.emf) / whole > limit:
            return 0.0, 0.0
        return volts - self.amps * whole / duty, self.start_s * whole / (self.ohm * duty)

    def next_s(
        self, volts: float, ohm: float, limit: float, duty: float, source_ohm: float
    ) -> float:
        """Until the current has changed by so much, or the motor runs at its final speed."""
        goal, time_s = self._goal(volts, ohm, limit, duty)
        if time_s == inf:
            return inf
        if time_s == 0:
            full = (volts - limit * (self.ohm + ohm) - self.emf) * self.start_s / self.ohm
            torque = duty * limit - self.amps
            return full / torque if torque > 0 else inf
        goal, whole = max(0.0, goal), self.ohm + ohm
        if abs(goal - self.emf) <= SETTLED * abs(volts - goal):
            return inf
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
        """A resistor that depends on where the armature is."""
        return Line((self.amps if self.pulled else self.pull_in_amps) / self.volts, 0.0)

    def advance(self, volts: float, ohm: float, dt_s: float, limit: float, duty: float) -> None:
        """The armature moves once the coil has had pull-in voltage for long enough."""
        at_coil = self._at_coil(volts, ohm, limit, duty)
        if at_coil < (self.drop_volts if self.pulled else self.pull_in_volts):
            self.pulled, self.since_s = False, 0.0
        elif not self.pulled:
            self.since_s += dt_s
            self.pulled = self.since_s >= self.pull_in_s - 1e-9

    def next_s(
        self, volts: float, ohm: float, limit: float, duty: float, source_ohm: float
    ) -> float:
        """Until the armature moves."""
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
"""A lamp's current is proportional to its voltage to this power (IES exponents: power 1.55, light
3.4, life -13; from memory).
"""
_COOLING = 2 / (1 - IES_CURRENT) - 1
"""The power that a filament loses is proportional to its resistance to this power, from V**1.55 and
V**0.45.
"""
IES_LIGHT = 3.4


@dataclass(slots=True)
class Filament(Load):
    """A filament lamp: cold, it has a tenth of its hot resistance; it warms up in tens of
    milliseconds.

    ``warmth`` is its resistance as a share of the hot one at rated volts. Heat flows in as I2R and
    out as rated power x warmth**3.44, which gives the IES exponents; the heat kept is rated power x
    ``_time_s`` x warmth. From cold at rated volts and without a lead, the current falls to within 2
    % of its final value in ``warm_up_s``, and to twice that value in an eighth of it (10 to 12
    times at first, twice after 3 to 5 ms: an abstract on lamp drivers, looked up; the default gives
    10 times and 4.8 ms).
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
        """Heun's method in steps that change the warmth by less than a tenth; near the end, an
        exponential. While off, the lamp cools by an exact formula.
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
        """Time constant in s of a small disturbance at the present warmth."""
        steep: float = (_COOLING + 1) * self.warmth ** (_COOLING - 1)
        return self._time_s / steep

    def next_s(
        self, volts: float, ohm: float, limit: float, duty: float, source_ohm: float
    ) -> float:
        """Until the current has changed by so much, or the filament is warm."""
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
        """Light as a share of that at rated volts: flux is proportional to V**3.4, warmth to
        V**0.45.
        """
        share: float = self.warmth ** (IES_LIGHT / (1 - IES_CURRENT))
        return share


_WARM_UP_TIMES = 0.913
"""How many time constants it takes from a tenth of the hot resistance to within 2 % of the final
current, by integration.
"""
