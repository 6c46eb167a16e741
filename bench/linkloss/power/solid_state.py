"""The solid-state switch: its limits, its trips, its tries, and what it tells its program."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, log

from linkloss.power.switches import MS, NEVER, Status

STEPS = 5
"""A soft start is made in so many steps."""
COOL_KELVIN = 1.0
"""As little rise as this is not followed."""
_NEAR_KELVIN = 1e-6


@dataclass(slots=True)
class SolidState:
    """A solid-state switch with the protection and the diagnosis that it has in silicon.

    It never lets more than ``limit`` pass. After the blanking time a current above ``trip`` turns
    it off, and so does a junction that is ``rise`` kelvin warmer than around it, at any time. It
    tries again after ``retry_ns``; after ``retries`` tries in vain it latches until the program
    switches it off. ``soft_ns``: it is dimmed up in steps over so long.
    """

    ohm: float = 0.01
    limit: float = inf
    trip: float = inf
    blanking_ns: int = 100 * MS
    retry_ns: int = 500 * MS
    retries: int = 3
    open_load: float = 0.0
    open_load_off: bool = False
    kelvin_per_watt: float = 20.0
    thermal_s: float = 0.2
    rise: float = 100.0
    soft_ns: int = 0
    coil_g: float = 0.0
    level: float = 0.0
    duty: float = 0.0
    kelvin: float = 0.0
    tripped: Status | None = None
    _since_ns: int = 0
    _tries: int = 0
    _retry_at_ns: int = NEVER
    _now_ns: int = 0

    @property
    def idle(self) -> bool:
        """The program wants it off."""
        return self.level == 0

    def _decide(self) -> None:
        """``duty``: the commanded share, less while it starts softly, none while tripped."""
        self.duty = 0.0 if self.tripped is not None else self.level * self._ramp(self._now_ns)

    def _ramp(self, now_ns: int) -> float:
        if self.soft_ns == 0 or now_ns >= self._since_ns + self.soft_ns:
            return 1.0
        return (1 + (now_ns - self._since_ns) * STEPS // self.soft_ns) / (STEPS + 1)

    def command(self, level: float, now_ns: int) -> None:
        """Switching off forgets trips and latches; switching on begins blanking and soft start."""
        self._now_ns = now_ns
        if level == 0:
            self.tripped, self._tries, self._retry_at_ns = None, 0, NEVER
        elif self.level == 0:
            self._since_ns = now_ns
        self.level = level
        self._decide()

    def look(self, volts: float, amps: float, now_ns: int) -> None:
        """Trip, if the junction is too hot or, after blanking, the current too high; try again."""
        del volts
        self._now_ns = now_ns
        if self._retry_at_ns != NEVER and now_ns >= self._retry_at_ns:
            self.tripped, self._retry_at_ns, self._since_ns = None, NEVER, now_ns
        elif self.duty > 0:
            if self.kelvin >= self.rise - _NEAR_KELVIN:
                self._trip(Status.OVER_TEMPERATURE, now_ns)
            elif now_ns >= self._since_ns + self.blanking_ns:
                if amps > self.trip:
                    self._trip(Status.OVER_CURRENT, now_ns)
                else:
                    self._tries = 0
        self._decide()

    def _trip(self, why: Status, now_ns: int) -> None:
        self._tries += 1
        if self._tries > self.retries:
            self.tripped = Status.LATCHED
            return
        self.tripped, self._retry_at_ns = why, now_ns + self.retry_ns

    def warmed(self, watts: float, dt_s: float) -> None:
        """The junction warms towards the power lost in it, or cools."""
        goal = watts * self.kelvin_per_watt
        if goal < COOL_KELVIN and self.kelvin < COOL_KELVIN:
            return
        self.kelvin = goal + (self.kelvin - goal) * exp(-dt_s / self.thermal_s)

    def next_ns(self, watts: float, now_ns: int) -> int:
        """The next try, step of the soft start, end of blanking, or trip by heat."""
        if self._retry_at_ns != NEVER:
            return self._retry_at_ns
        if self.duty == 0:
            return NEVER
        found = []
        if self.soft_ns and now_ns < self._since_ns + self.soft_ns:
            done = (now_ns - self._since_ns) * STEPS // self.soft_ns + 1
            found.append(self._since_ns - (-done * self.soft_ns // STEPS))
        if now_ns < self._since_ns + self.blanking_ns:
            found.append(self._since_ns + self.blanking_ns)
        goal = watts * self.kelvin_per_watt
        if goal > self.rise:
            left_s = self.thermal_s * log((goal - self.kelvin) / (goal - self.rise))
            found.append(now_ns + max(1_000, round(left_s * 1e9)))
        return min(found, default=NEVER)

    def thresholds(self) -> tuple[float, ...]:
        """None."""
        return ()

    def status(self, amps: float, *, broken: bool) -> Status:
        """What it reports to its program."""
        if self.tripped is not None:
            return self.tripped
        if self.duty > 0:
            return Status.OPEN_LOAD if amps < self.open_load else Status.OK
        return Status.OPEN_LOAD if self.open_load_off and broken else Status.OK
