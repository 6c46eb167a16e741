"""What a check covers: the space it chooses from, and what its cases reached.

A report that says "all kept" must also say of what: :class:`Space` counts the cases that a depth
chooses from, and says what it leaves out.

:class:`Reached` says in which states a case exercised rules, and how narrowly they were kept. Its
points say where the vehicle has been, not what its programs look like inside: a rule judged while
its node was error-passive is another point than the same rule on a quiet bus. A search keeps the
cases that reach new points.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from operator import attrgetter
from typing import NamedTuple

from linkloss.campaign.cases import electrical_instances, instances, wiring_instances
from linkloss.faults.catalogue import catalogue
from linkloss.judge import Outcome, Verdict
from linkloss.recording import FaultRecord, Recording
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle

MS = 1_000_000
ACTIVE = "ACTIVE"
_WORST = ("BUS_OFF", "PASSIVE")
"""The error state of a controller that has counted few errors or none."""

Point = tuple[str, ...]
"""One of:

- ``("rule", rule, subject, outcome, error state, phase, kinds)``: a rule was judged, with the error
  state and the phase of the subject's node at the decisive moment, and the kinds of the faults that
  were present then;
- ``("fault", kind, node, error state, phase, kinds)``: a fault came while the node was in this
  state and these other faults were present;
- ``("margin", rule, subject, bucket)``: this much time was left; a bucket is twice as wide as the
  one below.

A phase is ``boot``, ``running``, ``rejoining`` (has been running again for a short time), ``hung``,
``asleep``, ``off`` or ``crashed``.
"""


class Reached(NamedTuple):
    """What a case reached; small enough to pass between processes."""

    points: frozenset[Point]
    margins: tuple[tuple[str, str, int], ...]
    """(subject, rule, margin in ns) for each verdict with a margin."""


def points_of(
    vehicle: Vehicle, recording: Recording, verdicts: Iterable[Verdict]
) -> tuple[Point, ...]:
    """The ``rule`` and ``fault`` points of a run, from its recording and the verdicts on it."""
    tested = [verdict for verdict in verdicts if verdict.outcome is not Outcome.NOT_EXERCISED]
    history = _History(vehicle, recording)
    return tuple(sorted({*history.rules(tested), *history.strikes()}))


def reached(points: Iterable[Point], verdicts: Iterable[Verdict]) -> Reached:
    """What a case reached: its points, the points of its margins, and the margins themselves."""
    margins = tuple(
        (verdict.subject, verdict.rule, verdict.margin_ns)
        for verdict in verdicts
        if verdict.margin_ns is not None
    )
    buckets = [("margin", rule, subject, bucket(ns)) for subject, rule, ns in margins]
    return Reached(frozenset([*points, *buckets]), margins)


def bucket(margin_ns: int) -> str:
    """``late``, or the power of two of milliseconds above a margin: ``<1``, ``<2``, ``<4``, ..."""
    return "late" if margin_ns < 0 else f"<{1 << (margin_ns // MS).bit_length()}"


class _History:
    """The recording of a run, with its state at any instant."""

    def __init__(self, vehicle: Vehicle, recording: Recording) -> None:
        self.vehicle = vehicle
        self.recording = recording
        self.state = cache(self._state)

    def rules(self, verdicts: Sequence[Verdict]) -> Iterator[Point]:
        """The points of judged rules."""
        over_ns = self._over_ns()
        for verdict in verdicts:
            at_ns = over_ns if verdict.at_ns is None else verdict.at_ns
            state = self.state(self._node(verdict.subject), at_ns)
            kinds = self.kinds(at_ns)
            yield ("rule", verdict.rule, verdict.subject, verdict.outcome.value, *state, kinds)

    def strikes(self) -> Iterator[Point]:
        """The points of the faults that came."""
        for fault in self.recording.faults:
            others = self.kinds(fault.applied_ns, beside=fault)
            for node in fault.nodes or tuple(self.vehicle.nodes):
                state = self.state(node, fault.applied_ns - 1)
                yield ("fault", fault.kind, node, *state, others)

    def _over_ns(self) -> int:
        """The decisive moment if a verdict names none: when the last fault clears, in ns."""
        ends = [
            fault.applied_ns if fault.cleared_ns is None else fault.cleared_ns
            for fault in self.recording.faults
        ]
        return max(ends, default=self.recording.end_ns)

    def _node(self, subject: str) -> str:
        """The node that a subject of a verdict belongs to; empty for the bench's own process."""
        if subject in self.vehicle.nodes:
            return subject
        if subject in self.vehicle.loads:
            return self.vehicle.loads[subject].node
        if subject in self.vehicle.routes:
            return self.vehicle.sender(self.vehicle.routes[subject].target_message)
        notice = self.vehicle.notices.get(subject)
        message = (subject if notice is None else notice.signal).partition(".")[0]
        return self.vehicle.sender(message) if message in self.vehicle.messages else ""

    def _state(self, node: str, at_ns: int) -> tuple[str, str]:
        """The error state of a node's controllers, and the phase of the node."""
        found = set()
        for bus in self.vehicle.file.buses_of(node) or ("",):
            errors = self.recording.states(node, bus)
            place = bisect_right(errors, at_ns, key=_instant) - 1
            found.add(errors[place].state if place >= 0 else ACTIVE)
        return next((state for state in _WORST if state in found), ACTIVE), self._phase(node, at_ns)

    def _phase(self, node: str, at_ns: int) -> str:
        changes = self.recording.nodes.get(node, [])
        place = bisect_right(changes, at_ns, key=_instant) - 1
        if place < 0:
            return "boot"
        change = changes[place]
        if change.state != "running":
            return "boot" if change.state == "reset" else change.state
        again = place > 0 and changes[place - 1].cause != "power-up"
        back = at_ns - change.at_ns < self.vehicle.nodes[node].rejoin
        return "rejoining" if again and back else "running"

    def kinds(self, at_ns: int, beside: FaultRecord | None = None) -> str:
        """The kinds of the faults present at an instant, joined by ``+``; the newest two if there
        are more. If there are none, ``after`` and the kind of the last fault that was.
        """
        before = [
            fault
            for fault in self.recording.faults
            if fault.applied_ns <= at_ns and fault is not beside
        ]
        there = [fault for fault in before if fault.cleared_ns is None or fault.cleared_ns >= at_ns]
        if there:
            return "+".join(sorted({fault.kind for fault in there[-2:]}))
        last = max(before, key=lambda fault: fault.cleared_ns or 0, default=None)
        return "none" if last is None else f"after {last.kind}"


_instant = attrgetter("at_ns")


class News(NamedTuple):
    """What was new about a case: points, and each (subject, rule) whose margin became smaller."""

    points: tuple[Point, ...]
    shrunk: tuple[tuple[str, str], ...]

    @property
    def any(self) -> bool:
        """Whether there was anything new."""
        return bool(self.points or self.shrunk)


class Coverage:
    """What many cases reached together. ``margins`` has the smallest by (subject, rule), in ns."""

    def __init__(self) -> None:
        self.points: dict[Point, int] = {}
        self.margins: dict[tuple[str, str], int] = {}

    def add(self, found: Reached) -> News:
        """Merge what a case reached, and return what was new about it, in a fixed order."""
        points = sorted(found.points)
        fresh = tuple(point for point in points if point not in self.points)
        for point in points:
            self.points[point] = self.points.get(point, 0) + 1
        shrunk: dict[tuple[str, str], None] = {}
        for subject, rule, margin_ns in found.margins:
            place = (subject, rule)
            known_ns = self.margins.get(place)
            if known_ns is None or margin_ns < known_ns:
                self.margins[place] = margin_ns
                if known_ns is not None:
                    shrunk[place] = None
        return News(fresh, tuple(shrunk))

    def __len__(self) -> int:
        return len(self.points)


@dataclass(frozen=True, slots=True)
class Space:
    """What a depth chose from, and what it chose.

    ``actions`` counts what the driver and the engine do in all situations, ``kinds`` the kinds of
    faults, ``faults`` their instances on this vehicle. ``singles`` is the number of cases with one
    fault (or one plug that carries supply and CAN) at the planned instants, ``pairs`` the number of
    ordered pairs of faults (without electrical ones) times the actions that they may be placed
    around. ``instants`` counts the different instants at which a fault begins in the chosen cases.
    Of the ``singles``, those that were not ``chosen`` are counted in ``left_out``, which says in
    sentences what was not chosen and why.
    """

    depth: str
    situations: int
    actions: int
    kinds: int
    faults: int
    instants: int
    singles: int
    pairs: int
    chosen: int
    left_out: tuple[str, ...]

    def sentences(self) -> tuple[str, ...]:
        """The space in plain sentences."""
        where = f"{_many(self.situations, 'situation')} with {_many(self.actions, 'action')}"
        what = f"{_many(self.faults, 'fault')} of {_many(self.kinds, 'kind')}"
        alone = f"{_many(self.singles, 'case')} with one fault or none"
        both = f"{_many(self.pairs, 'ordered pair')} of faults around an action"
        begin = f"faults begin at {_many(self.instants, 'different instant')}"
        chosen = (f"Chosen: {_many(self.chosen, 'case')}; {begin}.",) if self.chosen else ()
        return (f"{where}; {what}; {alone}, {both}.", *chosen, *self.left_out)


def _many(number: int, what: str) -> str:
    return f"{number:,} {what}" if number == 1 else f"{number:,} {what}s"


def measured(
    depth: str,
    vehicle: Vehicle,
    cases: Sequence[Scenario],
    *,
    singles: int,
    left_out: Sequence[str],
) -> Space:
    """The space of a vehicle, and the cases chosen from it."""
    actions = sum(len(table.actions) for table in vehicle.situations.values())
    together, apart = len(instances(vehicle)), electrical_instances(vehicle)
    kinds = sum(bool(apart) or not form.electrical for form in catalogue().values())
    begun = {(case.situation, timed.at_ns) for case in cases for timed in case.faults}
    return Space(
        depth=depth,
        situations=len(vehicle.situations),
        actions=actions,
        kinds=kinds,
        faults=together + len(wiring_instances(vehicle)) + len(apart),
        instants=len(begun),
        singles=singles,
        pairs=together * together * actions,
        chosen=len(cases),
        left_out=(*left_out, *_electrical(vehicle, cases)),
    )


def _electrical(vehicle: Vehicle, cases: Sequence[Scenario]) -> Iterator[str]:
    """Sentences about faults of supply, fuses, leads and relays that were left out, and why."""
    if vehicle.supply is None:
        yield (
            "The vehicle has no table 'supply': it ran on an ideal one, and no fault of supply,"
            " fuses, leads or relays was tried. The rules 'back' and 'neighbours' and notices of"
            " failed loads could not be exercised."
        )
        return
    if any(timed.fault.loads(vehicle) for case in cases for timed in case.faults):
        yield (
            "What hardware cannot do is nobody's fault: a load with a blown fuse, a broken or"
            " shorted lead or a welded relay was judged by what its node drove, and by its notice."
        )
    if not any(timed.fault.electrical for case in cases for timed in case.faults):
        yield "Faults of supply, fuses, leads and relays were left to the depth 'full'."
