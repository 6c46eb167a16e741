"""What feeds the car: a battery with its internal resistance and an alternator beside it."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from linkloss.power.loads import Line, Straight


@dataclass(slots=True)
class Battery(Straight):
    """Open-circuit voltage in V behind an internal resistance in ohm; it takes charge as well."""

    volts: float = 12.6
    ohm: float = 0.008
    connected: bool = True

    def line(self, volts: float) -> Line:
        """What it draws from the car's positive (negative: it gives), around a voltage there."""
        del volts
        if not self.connected:
            return Line(0.0, 0.0)
        return Line(1 / self.ohm, -self.volts / self.ohm)


@dataclass(slots=True)
class Alternator:
    """It holds ``volts`` behind ``ohm`` and gives at most ``amps``; its diodes let nothing back."""

    volts: float = 14.2
    amps: float = 70.0
    ohm: float = 0.02
    running: bool = False

    def line(self, volts: float) -> Line:
        """What it draws from the car's positive (negative: it gives), around a voltage there."""
        if not self.running or volts >= self.volts:
            return Line(0.0, 0.0)
        if (self.volts - volts) / self.ohm > self.amps:
            return Line(0.0, -self.amps)
        return Line(1 / self.ohm, -self.volts / self.ohm)

    def knees(self) -> tuple[float, ...]:
        """Full load ends, and the diodes close."""
        return (self.volts - self.amps * self.ohm, self.volts) if self.running else ()


@dataclass(slots=True)
class NodeSupply:
    """The processor's own supply behind a diode: when it resets, and when it may start again.

    ``volts`` below ``brown_out`` reset it, once the capacitor behind the diode (``hold_up`` F,
    ``amps`` A) has run down to it; it may start again from ``brown_out`` + ``hysteresis`` on. All
    voltages are told at the node's terminals: the diode's own drop is within the threshold.

    With ``least`` there is no brown-out detector: the processor runs on below ``brown_out``, but
    does what it likes (``wild``), down to ``least``; from there it starts again like any other.
    """

    brown_out: float = 0.0
    hysteresis: float = 0.0
    hold_up: float = 0.0
    amps: float = 0.08
    least: float | None = None
    held: float = 0.0
    powered: bool = False
    wild: bool = False

    def look(self, volts: float) -> bool:
        """The terminals have this voltage now; returns whether ``powered`` has changed."""
        self.held = max(self.held, volts) if self.hold_up > 0 else volts
        was = self.powered
        if self.powered:
            self.powered = self.held >= self.stops
        else:
            self.powered = volts >= self.stops + self.hysteresis
        self.wild = self.powered and self.held < self.brown_out
        return self.powered != was

    @property
    def stops(self) -> float:
        """The voltage below which the processor stands still."""
        return self.brown_out if self.least is None else self.least

    def advance(self, volts: float, dt_s: float) -> None:
        """The capacitor runs down to what the terminals give."""
        if self.hold_up > 0:
            self.held = max(volts, self.held - self.amps * dt_s / self.hold_up)

    def next_s(self, volts: float) -> float:
        """Time until the capacitor has run down to the threshold; inf: it does not."""
        next_v = self.stops if self.wild else self.brown_out
        if not self.powered or self.hold_up == 0 or volts >= next_v or self.amps == 0:
            return inf
        return max(0.0, self.held - next_v) * self.hold_up / self.amps + 1e-9

    def thresholds(self) -> tuple[float, ...]:
        """Terminal voltages at which something may change."""
        if self.powered:
            return (self.stops,) if self.least is None else (self.stops, self.brown_out)
        return (self.stops + self.hysteresis,)
