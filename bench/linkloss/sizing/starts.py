"""What the starts of loads do to the circuit: how far they use up each fuse, and what fails.

The circuit of a session is run without programs: first everything starts at one instant, as after a
node's reset, then each load and each group of loads on one fuse starts while all the others run.
Fuses are judged at the charging voltage, where currents are highest, and by the fastest fuse of
their band. What a start takes down by its dip is looked for on the battery alone, where everything
at once makes the deepest. What a switch with a trip feeds starts there on its own, too: with less
voltage a lamp warms up and a motor runs up more slowly, and the current is longer above the trip.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf

from linkloss.power import fuses
from linkloss.power.fuses import Kind
from linkloss.power.network import Event, Network
from linkloss.power.supply import Piece, Profile
from linkloss.power.switches import SolidState, Status
from linkloss.sizing.lines import (
    CIRCUIT,
    FUSE_GUIDE,
    Finding,
    FuseUse,
    Sums,
    fuse_for,
    fuse_remedy,
)
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.wiring import build_network, make_switch, start_amps

MS, S = 1_000_000, 1_000_000_000
LASTS_NS = 3 * S
"""So long after its beginning a start is looked at."""
REST_NS = 60 * S
"""After so long a filament is cold, a motor stands still and a fuse has recovered."""
FINEST_NS = MS // 2
"""The first steps of a start; later ones grow with the time since its beginning."""
GROWTH = 10
STIFF_OHM = 0.001
IN_HAND = 0.95
"""A switch that a start takes within 5 % of its trip is not relied on: common practice."""

Course = Sequence[tuple[float, float]]
"""The current through a fuse during a start: (s, A) one after the other."""


@dataclass(frozen=True, slots=True)
class Start:
    """Some loads that start at one instant while all others run.

    ``courses``: the current through each fuse, by the names of
    :class:`~linkloss.power.network.Event`. ``events``: what happened in the circuit. ``tripped``:
    what the switches say that trip. ``lowest`` and ``last``: the least voltage at each node's
    terminals, and the one at the end, in V. ``moves``: how often the starter motor was
    connected or disconnected.
    """

    loads: tuple[str, ...]
    courses: Mapping[str, Course]
    events: tuple[Event, ...]
    tripped: Mapping[str, Status]
    lowest: Mapping[str, float]
    last: Mapping[str, float]
    moves: int


def spent(course: Course, rating: float, kind: Kind, ambient: float) -> float:
    """The share of the fastest fuse's melting time that a course of current uses up; from 1 on it
    opens.

    ``rating`` in A, ``ambient`` in degC. Where the current changes, the mean of both ends counts.
    """
    worth = fuses.derated(rating, kind, ambient)
    rates = [1 / fuses.melting_s(amps / worth, kind, "fastest") for _, amps in course]
    ends = [*rates[1:], rates[-1]] if rates else []
    steps = zip(course, rates, ends, strict=True)
    return sum(lasts_s * (begin + end) / 2 for (lasts_s, _), begin, end in steps)


@dataclass(slots=True)
class Starts:
    """Runs the starts of a vehicle on one circuit, which has everything on in between, but for the
    starter motor.

    ``volts``: what a charger holds; None: the battery alone.

    :raises ValueError: for a vehicle on an ideal supply.
    """

    vehicle: Vehicle
    volts: float | None
    network: Network = field(init=False)
    coil: str | None = field(init=False)
    """The load that engages the starter motor."""

    def __post_init__(self) -> None:
        supply = self.vehicle.supply
        network = build_network(supply, self.vehicle.nodes, self.vehicle.loads)
        if supply is None or network is None:
            raise ValueError("a vehicle on an ideal supply has no circuit")
        for _, fuse in network.fuses:
            fuse.safe = inf  # what it would have borne is worked out from the current
        for channel in network.channels.values():
            if isinstance(channel.switch, SolidState):
                channel.switch.trip *= IN_HAND
                channel.switch.rise *= IN_HAND
        self.network = network
        self.coil = None if supply.starter is None else supply.starter.switched_by

    @property
    def names(self) -> tuple[str, ...]:
        """All loads with electrical data, but for the coil that engages the starter motor."""
        return tuple(name for name in self.network.channels if name != self.coil)

    def run(self, groups: Sequence[tuple[str, ...]]) -> Iterator[Start]:
        """Each group with all others running, and last all loads at once.

        A group starts on a stiff charger, as if nothing else lowered the voltage; all at once, on
        one behind the battery's resistance.
        """
        assert self.vehicle.supply is not None
        self._charge(STIFF_OHM)
        for group in groups:
            yield self._start(group)
        self._charge(self.vehicle.supply.internal_resistance)
        yield self._start(self.names)

    def _charge(self, ohm: float) -> None:
        if self.volts is not None:
            hold = Piece(S, self.volts, self.volts)
            self.network.follow(Profile("charging", "charging", (hold,), ohm))
        self.network.settle()

    def crank(self, *, all_on: bool) -> Start:
        """The starter motor turns the engine, on the battery alone, with all loads on or off.

        :raises ValueError: for a vehicle without one.
        """
        if self.coil is None:
            raise ValueError("nothing turns the engine")
        self.network.settle()
        return self._start((self.coil,), others=1.0 if all_on else 0.0)

    def _start(self, loads: tuple[str, ...], others: float = 1.0) -> Start:
        network = self.network
        for name in self.names:
            network.drive(name, 0.0 if name in loads else others)
        network.settle()
        network.advance(network.now_ns + REST_NS)
        begin_ns = network.now_ns
        moved = 0 if network.starter is None else network.starter.moves
        seen = _Seen(network, [name for name in self.names if self._trips(name)])
        for name in loads:
            network.drive(name, 1.0)
        events = network.settle()
        while network.now_ns < begin_ns + LASTS_NS:
            seen.look()
            before_ns = network.now_ns
            step_ns = max(FINEST_NS, (before_ns - begin_ns) // GROWTH)
            events += network.advance(min(before_ns + step_ns, begin_ns + LASTS_NS))
            events += network.settle()
            seen.went_by((network.now_ns - before_ns) / 1e9)
        seen.look()
        moves = 0 if network.starter is None else network.starter.moves - moved
        last = {node: network.volts(node) for node in network.terminals}
        if self.coil in loads:
            network.drive(self.coil, 0.0)
        found = tuple(events)
        return Start(loads, seen.courses, found, seen.tripped, seen.lowest, last, moves)

    def _trips(self, name: str) -> bool:
        return self.network.status(name) not in (Status.OK, Status.OPEN_LOAD)


@dataclass(slots=True)
class _Seen:
    """What is seen of a circuit during a start. ``known``: the loads whose switch has tripped
    before.
    """

    network: Network
    known: Sequence[str]
    courses: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    tripped: dict[str, Status] = field(default_factory=dict)
    lowest: dict[str, float] = field(default_factory=dict)
    _amps: dict[str, float] = field(default_factory=dict)

    def look(self) -> None:
        """Note what flows now."""
        self._amps = {name: abs(fuse.amps) for name, fuse in self.network.fuses}
        for node in self.network.terminals:
            volts = self.network.volts(node)
            self.lowest[node] = min(volts, self.lowest.get(node, volts))
        for name in self.network.channels:
            status = self.network.status(name)
            if status not in (Status.OK, Status.OPEN_LOAD) and name not in self.known:
                self.tripped.setdefault(name, status)

    def went_by(self, lasts_s: float) -> None:
        """What was noted has lasted for ``lasts_s``."""
        for name, amps in self._amps.items():
            self.courses.setdefault(name, []).append((lasts_s, amps))


def groups_of(sums: Sums) -> tuple[tuple[str, ...], ...]:
    """What starts at one instant: each load that draws more at first than it runs with, and all
    loads of one fuse.
    """
    single = [
        (name,)
        for name, table in sums.loads.items()
        if start_amps(table) > table.current or make_switch(table).limit < 2 * table.current
    ]
    shared: dict[str, list[str]] = {}
    for name in sums.loads:
        shared.setdefault(sums.fuse_owner(name), []).append(name)
    return (*single, *(tuple(group) for group in shared.values() if len(group) > 1))


def start_findings(sums: Sums) -> Iterator[Finding]:
    """What is wrong with the starts of a vehicle, each thing once, by the start that shows it most
    plainly.
    """
    groups = groups_of(sums)
    charging = list(Starts(sums.vehicle, sums.supply.charging).run(groups))
    apart = [group for group in groups if not _cranks(sums, group)]
    slow = [group for group in apart if any(map(sums.trips, group))]
    flat = list(Starts(sums.vehicle, None).run(slow))
    if len(slow) < len(apart) and list(_of_dip(sums, flat[-1])):  # which start alone does it?
        flat = list(Starts(sums.vehicle, None).run(apart))
    yield from _of_fuses(sums, charging)
    yield from _of_feeds(sums, charging)
    told: set[tuple[str, str]] = set()
    for start in (*flat, *charging):
        if not _cranks(sums, start.loads):
            for finding in _of_dip(sums, start):
                key = finding.subject, finding.text.split(":")[0].split(" by ")[0]
                if key not in told:
                    told.add(key)
                    yield finding


def _cranks(sums: Sums, loads: tuple[str, ...]) -> bool:
    starter = sums.supply.starter
    return starter is not None and starter.switched_by in loads


def _of_fuses(sums: Sums, starts: Sequence[Start]) -> Iterator[Finding]:
    """One start may use up only a small part of the fastest fuse of the band. Of loads on one fuse
    all start together.
    """
    for start in starts[:-1]:
        owner = sums.fuse_owner(start.loads[0])
        use, sharing = sums.fuse_use(owner), sums.on_fuse(owner)
        if use is None or len(sharing) != len(start.loads):
            continue
        allowed, often = _allowed(sums, start.loads)
        course = start.courses.get(owner, ())
        share = spent(course, use.rating, use.kind, sums.supply.ambient)
        if share <= allowed:
            continue
        others = [name for name in start.loads if name != owner]
        what = f"one start together with {', '.join(others)}" if others else "one start"
        text = (
            f"{what} spends {min(share, 1):.0%} of the fastest fuse of {use.rating:g} A; expected"
            f" {allowed:.0%} at most for {often}"
        )
        yield _with_rating(sums, owner, text, use, [(course, allowed)], ("loads", owner, "fuse"))


def _of_feeds(sums: Sums, starts: Sequence[Start]) -> Iterator[Finding]:
    """The same for the fuse in the feed of a node; all at once may not open it."""
    for node in sums.vehicle.nodes:
        use = sums.feed_use(node)
        if use is None:
            continue
        seen = []
        for start in starts:
            course = start.courses.get(f"feed of {node}", ())
            at_once = start is starts[-1]
            allowed, often = (1.0, "") if at_once else _allowed(sums, start.loads)
            share = spent(course, use.rating, use.kind, sums.supply.ambient)
            seen.append((share / allowed, share, allowed, often, start, course))
        over, share, allowed, often, start, _ = max(seen, key=lambda entry: entry[0])
        if over <= 1:
            continue
        what = f"one start of {', '.join(start.loads)} with all else on"
        if not often:
            what = "everything that starts at once, as after a reset,"
        limit = f"{allowed:.0%} at most for {often}" if often else "a fuse that bears it"
        text = (
            f"{what} spends {min(share, 1):.0%} of the fastest fuse of {use.rating:g} A in its"
            f" feed; expected {limit}"
        )
        place = ("nodes", node, "supply", "feed", "fuse")
        courses = [(course, allowed) for _, _, allowed, _, _, course in seen]
        yield _with_rating(sums, node, text, use, courses, place)


def _allowed(sums: Sums, loads: tuple[str, ...]) -> tuple[float, str]:
    """The share of a fuse that one start of loads may spend, and for how many starts."""
    often = min(sums.loads[name].starts for name in loads)
    return fuses.pulse_share(often), f"{often} starts"


def _with_rating(
    sums: Sums,
    subject: str,
    text: str,
    use: FuseUse,
    courses: Sequence[tuple[Course, float]],
    place: tuple[str, ...],
) -> Finding:
    """A finding with the smallest larger rating that bears the courses of current, and its
    continuous current.
    """
    ambient = sums.supply.ambient

    def fits(kind: Kind, rating: float) -> bool:
        bears = all(spent(course, rating, kind, ambient) <= most for course, most in courses)
        return rating > use.rating and rating >= (use.wanted or 0.0) and bears

    fuse = fuse_for(use.kind, fits)
    if fuse is None:
        return Finding("broken", subject, f"{text}; no single fuse does", FUSE_GUIDE)
    remedy, called = fuse_remedy(place, use.kind, fuse)
    return Finding("broken", subject, f"{text}; {called} would do", FUSE_GUIDE, remedy)


def _of_dip(sums: Sums, start: Start) -> Iterator[Finding]:
    """Nodes that reset, relays that let go and switches that trip in a start."""
    what = f"one start of {', '.join(start.loads)}"
    if len(start.loads) == len(sums.loads) - (sums.supply.starter is not None):
        what = "everything that starts at once"
    for event in start.events:
        if event.what == "power_lost":
            text = (
                f"it resets by {what}: it gets {start.lowest[event.name]:.1f} V; expected"
                f" {sums.own(event.name).brown_out:g} V or more: a shorter or thicker feed and"
                " ground"
            )
            yield Finding("broken", event.name, text, CIRCUIT)
    for name, table in sums.loads.items():
        node = sums.vehicle.loads[name].node
        drops = sum(e.what == "cut_off" and e.name == name for e in start.events)
        own = table.relay.bounces if table.relay is not None and name in start.loads else 0
        if table.relay is not None and drops > own:
            text = (
                f"its relay lets go by {what}: its node gets {start.lowest[node]:.1f} V; expected"
                f" {table.relay.drop_out:g} V or more: a shorter or thicker feed and ground"
            )
            yield Finding("broken", name, text, CIRCUIT)
    for name, status in start.tripped.items():
        text = f"its switch trips, or is within 5% of it, by {what}: {status.value}; a switch that"
        text += f" bears {start_amps(sums.loads[name]) * sums.loads[name].count:.0f} A for so long"
        yield Finding("broken", name, text, CIRCUIT)
