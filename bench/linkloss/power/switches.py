"""What opens and closes an output: a relay, a solid-state switch, or an ideal contact.

A switch is told what the program commands (``level``, 0 to 1), the voltage of its node, and the
current and power in it. It says whether it conducts and when it must be looked at next. Instants
are integer ns, everything else volts, amperes, ohms, watts, kelvin.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from math import exp, inf, log

MS = 1_000_000


class Status(Enum):
    """What a switch with diagnosis reports to its program."""

    OK = "ok"
    OPEN_LOAD = "open load"
    OVER_CURRENT = "over-current"
    OVER_TEMPERATURE = "over-temperature"
    LATCHED = "latched off"


class Switch:
    """What a circuit knows of a switch. A negative instant means never.

    ``ohm`` is its resistance while it conducts, ``limit`` the most current that it lets pass, in A.
    This one has no timers, no coil, no thresholds and no diagnosis, and never overheats.
    """

    __slots__ = ()
    ohm: float
    limit: float

    def command(self, level: float, now_ns: int) -> None:
        """The program, or what stands in for it, drives the output."""
        raise NotImplementedError

    def look(self, volts: float, amps: float, now_ns: int) -> None:
        """The node has this voltage and the load this current now; timers that are due expire."""

    def warmed(self, watts: float, dt_s: float) -> None:
        """The power lost in it was ``watts`` for the ``dt_s`` up to now."""

    def next_ns(self, watts: float, now_ns: int) -> int:
        """When it must be looked at next, if it goes on losing this power; ``NEVER`` if not at
        all.
        """
        return NEVER

    @property
    def idle(self) -> bool:
        """Whether looking at it can change nothing."""
        return True

    @property
    def duty(self) -> float:
        """Share of time for which it conducts: 0 while it is open."""
        raise NotImplementedError

    @property
    def coil_g(self) -> float:
        """Conductance of its coil now, in S between the node's terminals."""
        return 0.0

    def thresholds(self) -> tuple[float, ...]:
        """Node voltages at which it may switch."""
        return ()

    def status(self, amps: float, *, broken: bool) -> Status:
        """What it reports; ``broken``: its load is disconnected."""
        return Status.OK


NEVER = -1


@dataclass(slots=True)
class Direct(Switch):
    """An ideal contact: it follows the program at once."""

    ohm: float = 0.005
    duty: float = 0.0
    limit: float = inf

    def command(self, level: float, now_ns: int) -> None:
        """At once."""
        self.duty = level


@dataclass(slots=True)
class Relay(Switch):
    """A relay whose coil is fed by the node's own supply.

    The contact follows ``closes_ns`` after the coil voltage has risen to ``pull_in``, ``opens_ns``
    after it has fallen below ``drop_out``; closing it may bounce. A welded contact stays closed.
    """

    coil_ohm: float = 90.0
    pull_in: float = 7.5
    drop_out: float = 3.0
    closes_ns: int = 8 * MS
    opens_ns: int = 4 * MS
    bounces: int = 0
    bounce_ns: int = MS // 2
    ohm: float = 0.005
    limit: float = inf
    welded: bool = False
    driven: bool = False
    closed: bool = False
    _pulled: bool = False
    _due: list[tuple[int, bool]] = field(default_factory=list)

    @property
    def idle(self) -> bool:
        """Whether the coil has no current and the contact is at rest."""
        return not (self.driven or self._pulled or self._due)

    @property
    def duty(self) -> float:
        """1 while the contact is closed."""
        return 1.0 if self.closed or self.welded else 0.0

    @property
    def coil_g(self) -> float:
        """The conductance of the coil while it is driven."""
        return 1 / self.coil_ohm if self.driven else 0.0

    def command(self, level: float, now_ns: int) -> None:
        """The coil is driven or not; there is nothing in between."""
        self.driven = level > 0

    def look(self, volts: float, amps: float, now_ns: int) -> None:
        """Compare the coil voltage with its two thresholds, then make the contact's movements that
        are due.
        """
        pulled = self.driven and volts >= (self.drop_out if self._pulled else self.pull_in)
        if pulled != self._pulled:
            self._pulled = pulled
            self._due = self._movement(now_ns)
        while self._due and self._due[0][0] <= now_ns:
            self.closed = self._due.pop(0)[1]

    def _movement(self, now_ns: int) -> list[tuple[int, bool]]:
        if self._pulled == self.closed:
            return []  # it was reversed before the contact had moved
        if not self._pulled:
            return [(now_ns + self.opens_ns, False)]
        at_ns = now_ns + self.closes_ns
        return [
            (at_ns + half * self.bounce_ns, half % 2 == 0) for half in range(2 * self.bounces + 1)
        ]

    def next_ns(self, watts: float, now_ns: int) -> int:
        """The contact's next movement."""
        return self._due[0][0] if self._due else NEVER

    def thresholds(self) -> tuple[float, ...]:
        """Drop-out and pull-in voltage while driven."""
        return (self.drop_out, self.pull_in) if self.driven else ()


STEPS = 5
"""Number of steps in a soft start."""
COOL_KELVIN = 1.0
"""A smaller temperature rise than this is not followed."""
_NEAR_KELVIN = 1e-6


@dataclass(slots=True)
class SolidState(Switch):
    """A solid-state switch with built-in protection and diagnosis.

    It never lets more than ``limit`` pass. After the blanking time, a current above ``trip`` A
    turns it off. A junction ``rise`` kelvin above ambient turns it off at any time. It tries again
    after ``retry_ns``; after ``retries`` failed tries it latches off until the program switches it
    off. A soft start ramps it up in steps over ``soft_ns``.
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
        """Whether the program has switched it off."""
        return self.level == 0

    def _decide(self) -> None:
        """Set ``duty``: the commanded share, less during a soft start, none while tripped."""
        self.duty = 0.0 if self.tripped is not None else self.level * self._ramp(self._now_ns)

    def _ramp(self, now_ns: int) -> float:
        if self.soft_ns == 0 or now_ns >= self._since_ns + self.soft_ns:
            return 1.0
        return (1 + (now_ns - self._since_ns) * STEPS // self.soft_ns) / (STEPS + 1)

    def command(self, level: float, now_ns: int) -> None:
        """Switching off clears trips and latches; switching on begins blanking and soft start."""
        self._now_ns = now_ns
        if level == 0:
            self.tripped, self._tries, self._retry_at_ns = None, 0, NEVER
        elif self.level == 0:
            self._since_ns = now_ns
        self.level = level
        self._decide()

    def look(self, volts: float, amps: float, now_ns: int) -> None:
        """Trip, if the junction is too hot or, after blanking, the current too high; try again."""
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

    def status(self, amps: float, *, broken: bool) -> Status:
        """What it reports to its program."""
        if self.tripped is not None:
            return self.tripped
        if self.duty > 0:
            return Status.OPEN_LOAD if amps < self.open_load else Status.OK
        return Status.OPEN_LOAD if self.open_load_off and broken else Status.OK
