"""Who is where on the cable, which conductors are open, and what each controller sees of the
others.

**The cable as a line.** Missing terminators let a dominant level linger:

    two or more        the terminators discharge the line at once
    one                a wave runs to the open end and comes back, and the other end absorbs it
    none               only the bias resistors of the transceivers discharge the line

A receiver that samples before the line has settled takes a recessive bit after a dominant one for
dominant. Simplified: one wave, one time constant, the same for all receivers. Left out: reflections
from stubs, and the ringing that a wave of half the height could cause.

**The two conductors as a circuit.** They tell which transceivers see a dominant level while some
drive one. Conductors are ideal, so everything joined by copper is one *net*; what is between nets
is solved as a network of resistors in its steady state:

    CAN_H ----+-----------+-----  terminators 120 ohm between CAN_H and CAN_L
              |           |
           [120]       driver: 4.3 V through 24 ohm and a diode into CAN_H,
              |           |    from CAN_L through a diode and 24 ohm to 0.7 V
    CAN_L ----+-----------+-----  bias: each pin 25 kohm to 2.5 V

With 60 ohm in between a driver makes 3.5 V and 1.5 V, 2.0 V apart. A receiver takes more than 0.7 V
for dominant (ISO 11898-2: 1.5 to 3.0 V driven, 0.5 to 0.9 V undecided; from memory), as long as the
mean of both conductors is within -12 to +12 V of its own ground (edition of 2016; from memory).
Left out: the resistance of the cable (0.07 ohm/m), current limits of the drivers, and what an open
input picks up from outside: it stays at its bias.

Which shorts kill a bus and which only shift its levels was compared with a car maker's service
manual for high-speed CAN (tests/against/test_wiring_faults.py).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from math import ceil, log
from typing import Literal, NamedTuple

from linkloss.bus.controller import Controller
from linkloss.clock.queue import NS_PER_S

DELAY_NS_PER_M = 5.0
"""Propagation delay of a twisted pair (common practice)."""
FARAD_PER_M = 50e-12
FARAD_PER_NODE = 100e-12
"""Capacitance of cable and of a transceiver (common practice)."""
BIAS_OHM_PER_NODE = 50_000.0
"""Between CAN_H and CAN_L of a transceiver: its two bias resistors."""
DRIVEN_V = 2.0
UNDECIDED_V = 0.7
SAMPLE_POINT = 0.875
"""CiA DS-102 recommends 87.5 % up to 500 kbit/s."""


@dataclass(slots=True)
class Line:
    """Lengths in metres, and the number of terminators; None: the two that belong there."""

    length_m: float = 10.0
    stub_m: float = 0.3
    terminators: int | None = None


def hold_bits(line: Line, terminators: int, nodes: int, bit_rate: int) -> int:
    """For how many bits after a dominant one the sample point comes before the line has settled."""
    bit_ns = NS_PER_S / bit_rate
    late = settling_ns(line, terminators, nodes) / bit_ns - SAMPLE_POINT
    return max(0, ceil(late))


def settling_ns(line: Line, terminators: int, nodes: int) -> float:
    """How long a line takes from dominant to recessive, in ns.

    Without terminators U(t) = U(0) exp(-t / RC).
    """
    if terminators >= 2:
        return 0.0
    if terminators == 1:
        return 2 * line.length_m * DELAY_NS_PER_M
    cable_m = line.length_m + nodes * line.stub_m
    farad = cable_m * FARAD_PER_M + nodes * FARAD_PER_NODE
    ohm = BIAS_OHM_PER_NODE / nodes
    return ohm * farad * log(DRIVEN_V / UNDECIDED_V) * NS_PER_S


class Wiring:
    """The wiring of a segment as its members see it; sets of members are bits, in cable order.

    :param levels: who sees the bus dominant while a set of members drives it dominant.
    :param forced: who drives it dominant whatever their controllers send.
    :param dead: whose transceivers no longer drive anything.
    :param hold_bits: for how many bits a dominant level lingers, nominal bits and those at the data
        bit rate: see :func:`hold_bits`.
    :param strangers: members at another bit rate, if they are all that is wrong.
    """

    def __init__(
        self,
        levels: Callable[[int], int],
        forced: int = 0,
        dead: int = 0,
        hold_bits: tuple[int, int] = (0, 0),
        strangers: tuple[Controller, ...] | None = None,
    ) -> None:
        self.forced = forced
        self._strangers = strangers
        self._dead = dead
        self._levels = levels
        self._known: dict[int, int] = {}
        self._hold_bits = hold_bits
        self._held = self._left = 0

    @property
    def harmless(self) -> bool:
        """Whether nothing is wrong at the moment: only members at another bit rate could disturb,
        and these are off the bus.
        """
        return self._strangers is not None and not any(s.online for s in self._strangers)

    def seen(self, driven: int, *, fast: bool = False) -> int:
        """Who sees the bus dominant during a bit in which a set of members drives it dominant.

        :param fast: whether the bit is at the data bit rate.
        """
        driven = driven & ~self._dead | self.forced
        if driven not in self._known:
            self._known[driven] = self._levels(driven)
        seen = self._known[driven]
        hold_bits = self._hold_bits[fast]
        if hold_bits:
            if seen:
                self._held, self._left = seen, hold_bits
            elif self._left:
                self._left -= 1
                return self._held
        return seen


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
"""The supply of a 12 V car with its engine running (common practice)."""

Net = str


class Nets:
    """Points that copper joins into nets."""

    def __init__(self) -> None:
        self._up: dict[str, str] = {}

    def join(self, one: str, other: str) -> None:
        """Put copper between two points."""
        one, other = self.of(one), self.of(other)
        if one != other:
            # the rails keep their names
            if one in (GROUND, SUPPLY):
                one, other = other, one
            self._up[one] = other

    def of(self, point: str) -> Net:
        """The net of a point."""
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
            # a diode blocks reverse current
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
    dominant, so no rows need to be exchanged.
    """
    for place, row in enumerate(rows):
        pivot = row[place]
        rows[place] = row = [value / pivot for value in row]
        for other, values in enumerate(rows):
            if other != place and values[place]:
                factor = values[place]
                rows[other] = [a - factor * b for a, b in zip(values, row, strict=True)]
    return [row[-1] for row in rows]


Conductor = Literal["both", "CAN_H", "CAN_L"]
Contact = Literal["CAN_H-CAN_L", "CAN_H-ground", "CAN_H-supply", "CAN_L-ground", "CAN_L-supply"]
"""Which two things touch in a short."""

_CONDUCTORS = ("CAN_H", "CAN_L")
_RAILS = {"ground": GROUND, "supply": SUPPLY}
_TRIED_WHOLE = 8
"""Up to this many members, every set is tried to tell whether all see the same."""


class Short(NamedTuple):
    """Two conductors touch on the trunk, beside a controller."""

    beside: str
    contact: Contact


@dataclass(slots=True)
class _Place:
    """One point of the trunk: the controllers whose stubs meet there, and which conductors are cut
    between it and the next point.
    """

    controllers: list[Controller] = field(default_factory=list)
    cut: set[str] = field(default_factory=set)


class Cable:
    """A trunk with stubs. Knows the groups of controllers that are connected to each other."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.shorts: list[Short] = []
        self.swapped: list[str] = []
        """Controllers whose stub has its conductors swapped."""
        self.stuck: list[str] = []
        """Controllers whose transceiver drives the bus dominant all the time."""
        self.dead: list[str] = []
        """Controllers whose transceiver no longer drives the bus."""
        self.grounds: dict[str, float] = {}
        """By how many volts a controller's ground is above that of the car."""
        self._places: list[_Place] = []
        self._open: dict[str, set[str]] = {}

    def controllers(self) -> list[Controller]:
        """All of them in cable order."""
        return [controller for place in self._places for controller in place.controllers]

    def add(self, controller: Controller, beside: str | None) -> None:
        """Put a controller at the far end, or at the place of another one.

        :raises ValueError: if the name is taken, or ``beside`` is not on the cable.
        """
        if any(other.name == controller.name for other in self.controllers()):
            raise ValueError(f"the bus already has a controller named {controller.name!r}")
        if beside is None:
            self._places.append(_Place([controller]))
        else:
            self._places[self._index(beside)].controllers.append(controller)

    def remove(self, controller: Controller) -> None:
        """Remove a controller. A cut after an emptied place stays where it is.

        :raises ValueError: if it is not on the cable.
        """
        index = self._index(controller.name)
        place = self._places[index]
        place.controllers.remove(controller)
        self._open.pop(controller.name, None)
        if not place.controllers:
            del self._places[index]
            if index > 0:
                self._places[index - 1].cut |= place.cut

    def cut(self, left: str, right: str, conductor: Conductor = "both") -> None:
        """Cut the trunk, or one of its conductors, between two neighbours.

        :raises ValueError: if they are not neighbours on the cable.
        """
        self._between(left, right).cut.update(_each(conductor))

    def mend(self, left: str, right: str, conductor: Conductor = "both") -> None:
        """Join the trunk between two neighbours again.

        :raises ValueError: if they are not neighbours on the cable.
        """
        self._between(left, right).cut.difference_update(_each(conductor))

    def unplug(self, name: str, conductor: Conductor = "both") -> None:
        """Pull the stub of one controller, or one of its conductors, off the trunk.

        :raises ValueError: if it is not on the cable.
        """
        self._index(name)
        self._open.setdefault(name, set()).update(_each(conductor))

    def plug(self, name: str, conductor: Conductor = "both") -> None:
        """Put the stub of one controller back.

        :raises ValueError: if it is not on the cable.
        """
        self._index(name)
        self._open.setdefault(name, set()).difference_update(_each(conductor))

    def known(self, name: str) -> None:
        """Check that a name is on the cable.

        :raises ValueError: if it is not.
        """
        self._index(name)

    def groups(self) -> list[tuple[Controller, ...]]:
        """The connected groups in cable order; an unplugged controller is a group of its own.
        Controllers that only one conductor connects are one group, unless neither side sees what
        the other drives.
        """
        groups: list[tuple[Controller, ...]] = []
        run: list[Controller] = []
        for place in self._places:
            for controller in place.controllers:
                if len(self._open.get(controller.name, ())) == len(_CONDUCTORS):
                    groups.append((controller,))
                else:
                    run.append(controller)
            if len(place.cut) == len(_CONDUCTORS):
                groups.append(tuple(run))
                run = []
        groups.append(tuple(run))
        return [part for group in groups for part in self._parts(group)]

    def _parts(self, group: tuple[Controller, ...]) -> list[tuple[Controller, ...]]:
        """A group as it is, or the parts of it that never see each other, whatever they drive."""
        names = [controller.name for controller in group]
        if len(group) < 2 or not self._has_fault(names):
            return [group] if group else []
        circuit = self._circuit(names)
        parts: list[int] = []
        for place in range(len(group)):
            part = circuit.seen(1 << place) | 1 << place
            for other in [known for known in parts if known & part]:
                parts.remove(other)
                part |= other
            parts.append(part)
        for one, other in combinations(parts, 2):
            if circuit.seen(one | other) != one | other:
                return [group]
        if any(circuit.seen(1 << place) == 0 for place in range(len(group))):
            return [group]
        return [
            tuple(it for place, it in enumerate(group) if part >> place & 1)
            for part in sorted(parts, key=lambda part: part & -part)
        ]

    def wiring(
        self, group: Sequence[Controller], bit_rate: int, data_bit_rate: int
    ) -> Wiring | None:
        """What the controllers of a group see of each other; None where all see the same."""
        names = [controller.name for controller in group]
        forced = _set_of(names, self.stuck)
        dead = _set_of(names, self.dead)
        strangers = tuple(c for c in group if c.bit_rate not in (None, bit_rate))
        fast = data_bit_rate if any(controller.fd for controller in group) else bit_rate
        hold = self._hold(len(names), bit_rate), self._hold(len(names), fast)
        if not (forced or dead or any(hold) or strangers or self._has_fault(names)):
            return None
        circuit = self._circuit(names)
        plain = not (forced or dead or any(hold)) and _is_plain(circuit, len(names))
        if plain and not strangers:
            return None
        return Wiring(circuit.seen, forced, dead, hold, strangers if plain else None)

    def _hold(self, nodes: int, bit_rate: int) -> int:
        if self.line.terminators is None:
            return 0
        return hold_bits(self.line, self.line.terminators, nodes, bit_rate)

    def _has_fault(self, names: Sequence[str]) -> bool:
        """Whether a group has a fault other than whole cuts and unplugged stubs, which make
        groups.
        """
        one_open = any(
            len(cut) == 1 for cut in (*(p.cut for p in self._places), *self._open.values())
        )
        return bool(
            one_open or self.shorts or any(n in self.swapped or n in self.grounds for n in names)
        )

    def _circuit(self, names: Sequence[str]) -> Circuit:
        nets = Nets()
        trunk: dict[str, int] = {}
        for index, place in enumerate(self._places):
            for controller in place.controllers:
                trunk[controller.name] = index
            if index + 1 < len(self._places):
                for conductor in _CONDUCTORS:
                    if conductor not in place.cut:
                        nets.join(f"{conductor} {index}", f"{conductor} {index + 1}")
        for short in self.shorts:
            first, second = short.contact.split("-")
            index = trunk[short.beside]
            nets.join(f"{first} {index}", _RAILS.get(second, f"{second} {index}"))
        for name, index in trunk.items():
            for conductor in _CONDUCTORS:
                if conductor not in self._open.get(name, ()):
                    pin = conductor
                    if name in self.swapped:
                        pin = _CONDUCTORS[1 - _CONDUCTORS.index(conductor)]
                    nets.join(f"{pin} of {name}", f"{conductor} {index}")
        transceivers = [
            Transceiver(
                nets.of(f"CAN_H of {name}"),
                nets.of(f"CAN_L of {name}"),
                self.grounds.get(name, 0.0),
            )
            for name in names
        ]
        ends = {0: 1, len(self._places) - 1: 1} if len(self._places) > 1 else {0: 2}
        terminators = [
            (nets.of(f"CAN_H {index}"), nets.of(f"CAN_L {index}"))
            for index, count in self._terminated(ends).items()
            for _ in range(count)
        ]
        return Circuit(transceivers, terminators)

    def _terminated(self, ends: dict[int, int]) -> dict[int, int]:
        """How many terminators are at which places: without a fault one at each end."""
        count = self.line.terminators
        if count is None or count == 2:
            return ends
        if count > 2:
            middle = len(self._places) // 2
            return {**ends, middle: ends.get(middle, 0) + count - 2}
        return {0: count} if count else {}

    def _index(self, name: str) -> int:
        for index, place in enumerate(self._places):
            if any(controller.name == name for controller in place.controllers):
                return index
        raise ValueError(f"no controller {name!r} on the bus; it has {self._order()}")

    def _between(self, left: str, right: str) -> _Place:
        first, second = sorted((self._index(left), self._index(right)))
        if second - first != 1:
            raise ValueError(
                f"{left!r} and {right!r} are not neighbours on the cable; "
                f"from end to end it has {self._order()}"
            )
        return self._places[first]

    def _order(self) -> str:
        places = (" beside ".join(c.name for c in place.controllers) for place in self._places)
        return ", ".join(places) or "none"


def _each(conductor: Conductor) -> tuple[str, ...]:
    return _CONDUCTORS if conductor == "both" else (conductor,)


def _set_of(names: Sequence[str], some: Sequence[str]) -> int:
    return sum(1 << place for place, name in enumerate(names) if name in some)


def _is_plain(circuit: Circuit, count: int) -> bool:
    """Whether all see a dominant level whoever drives it."""
    everyone = (1 << count) - 1
    tried = list(range(1, everyone + 1))
    if count > _TRIED_WHOLE:
        alone = [1 << place for place in range(count)]
        tried = [*(a | b for a in alone for b in alone), everyone]
    return circuit.seen(0) == 0 and all(circuit.seen(driven) == everyone for driven in tried)
