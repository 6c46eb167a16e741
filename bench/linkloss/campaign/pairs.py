"""Cases with two faults: every ordered pair of kinds, overlapping and one after the other, with an
action of the driver between them.

Two faults that strike one node are where programs go wrong: each such pair of instances is tried in
every situation in which it matters. For all other pairs, each pair of kinds meets in each way in
time, at related instances. Situation, gap and action come from covering arrays; the phase within
the message period is random, so another seed tries others.

A covering array (:func:`extended`) has few rows in which every value of one parameter meets every
value of another. Most failures need no more than two things to come together, and trying all
combinations of many parameters is out of reach. An array is grown parameter by parameter: each row
first gets the value that makes the most new pairs, then rows are repeated for the pairs that are
still missing (the strategy known as in-parameter-order, Lei and Tai 1998; from memory).

    situation  fault      gap          situation  fault      gap
    night      unplug                  night      unplug     short
    night      reset          -->      night      reset      long
    rain       unplug                  rain       unplug     long
    rain       reset                   rain       reset      short

:class:`Relations` tells which faults are related: two faults at one place interact, two at far ends
of the car hardly ever do.

Two faults meet in time in these ways (:func:`met`), around one action of the driver:

    action              A
    first          [--------------]
    at once              [-----------------...    soon after the action; it outlasts the first
    amid                    [--]                  when every deadline of the first is over
    as it clears               [-----------...    just before the first clears
    just cleared                   [-------...    within a message period after that
    soon after     [brief]    [------------...    the first hid the action; few messages have come
    while back     [--] A [----------------...    the action falls between the two

A momentary fault, such as a reset, counts as present while the node recovers from it.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from functools import cache, cached_property
from itertools import product
from random import Random
from typing import Any, NamedTuple

from linkloss.campaign.cases import (
    MS,
    CaseMaker,
    Spans,
    in_order,
    instances,
    instants,
    thinned,
    without_fault,
)
from linkloss.faults.base import Fault
from linkloss.faults.frame_faults import requests
from linkloss.scenario import Scenario, TimedFault
from linkloss.vehicle.loading import Vehicle

Row = tuple[Any, ...]
_Missing = dict[tuple[int, Hashable], dict[int, None]]


def extended(rows: Sequence[Row], values: Sequence[Hashable], random: Random) -> list[Row]:
    """The rows with one more parameter, so that every value in them meets every new value.

    Rows are repeated where necessary. The old parameters get no combination that was not there
    before, so a combination that makes no sense stays out. Returns no rows if there are no values.
    """
    if not values:
        return []
    missing: _Missing = {
        (column, value): dict.fromkeys(range(len(values)))
        for row in rows
        for column, value in enumerate(row)
    }
    used = [0] * len(values)
    found = [(*row, values[_best_value(row, missing, used, random)]) for row in rows]
    examples: dict[tuple[int, Hashable], list[Row]] = {}
    for row in rows:
        for place in enumerate(row):
            examples.setdefault(place, []).append(row)
    for place, lacking in missing.items():
        for index in list(lacking):
            if index not in lacking:
                continue  # another repeated row already covers it
            row = _best_row(examples[place], index, missing, random)
            _meet(row, index, missing)
            found.append((*row, values[index]))
    return found


def _best_value(row: Row, missing: _Missing, used: list[int], random: Random) -> int:
    """The new value that makes the most pairs with a row; among equals the least used one."""

    def weight(index: int) -> tuple[int, int]:
        return sum(index in missing[place] for place in enumerate(row)), -used[index]

    best = max(map(weight, range(len(used))))
    index = random.choice([index for index in range(len(used)) if weight(index) == best])
    used[index] += 1
    _meet(row, index, missing)
    return index


def _best_row(rows: Sequence[Row], index: int, missing: _Missing, random: Random) -> Row:
    """The row to repeat with a value that it has not met yet."""

    def weight(row: Row) -> int:
        return sum(index in missing[place] for place in enumerate(row))

    best = max(map(weight, rows))
    return random.choice([row for row in rows if weight(row) == best])


def _meet(row: Row, index: int, missing: _Missing) -> None:
    for place in enumerate(row):
        missing[place].pop(index, None)


SAME, LINKED, NEAR, APART = 3, 2, 1, 0
"""How two faults are related: they hit the same node or message; one hits a node that sends what
the other's node hears, or a message of it; they are side by side on the cable; or none of these.
"""


class Relations:
    """How the faults of a vehicle are related."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self.strikes = cache(self._strikes)
        self.concerns = cache(self._concerns)

    @cached_property
    def _links(self) -> frozenset[tuple[str, str]]:
        """Pairs (sender, receiver) between which requests are sent."""
        return frozenset(
            (sender, receiver)
            for message, receivers in requests(self.vehicle).items()
            for sender in self.vehicle.messages[message].senders
            for receiver in receivers
        )

    @cached_property
    def _neighbours(self) -> frozenset[tuple[str, str]]:
        return frozenset(self.vehicle.stretches)

    def _strikes(self, fault: Fault) -> frozenset[str]:
        """The nodes whose program, controller or connection a fault hits; for a cut cable those
        on the shorter side. Empty for faults of frames and inputs.
        """
        between = getattr(fault, "between", None)
        if between is not None:
            cable = self.vehicle.file.bus[self.vehicle.between(*between)].cable
            place = max(map(cable.index, between))
            shorter = min(cable[:place], cable[place:], key=len)
            return frozenset(shorter)
        return frozenset(fault.nodes() if fault.group in ("cable", "node") else ())

    def _concerns(self, fault: Fault) -> frozenset[str]:
        """The nodes that a fault concerns: those it strikes, those that send or hear its message,
        those that read its input.
        """
        found = set(fault.nodes())
        message = getattr(fault, "message", None)
        if message is not None:
            found.update(self.vehicle.messages[message].senders)
            only = getattr(fault, "receiver", None)
            found.update(requests(self.vehicle).get(message, ()) if only is None else (only,))
        name = getattr(fault, "input", None)
        if name is not None:
            found.update(self.vehicle.inputs[name].wired_to)
        return self.strikes(fault) | (found & self.vehicle.nodes.keys())

    def close(self, first: Fault, second: Fault) -> bool:
        """Whether both strike one node."""
        return not self.strikes(first).isdisjoint(self.strikes(second))

    def relation(self, first: Fault, second: Fault) -> int:
        """SAME, LINKED, NEAR or APART."""
        message = getattr(first, "message", None)
        if self.close(first, second) or (
            message is not None and message == getattr(second, "message", None)
        ):
            return SAME
        one, other = self.concerns(first), self.concerns(second)
        if not one.isdisjoint(other):
            return LINKED
        for relation, pairs in ((LINKED, self._links), (NEAR, self._neighbours)):
            if any((a in one and b in other) or (b in one and a in other) for a, b in pairs):
                return relation
        return APART


OVERLAPPING = ("at once", "amid", "as it clears")
CONSECUTIVE = ("just cleared", "soon after", "while back")


class Window(NamedTuple):
    """When a fault begins and ends, in ns."""

    from_ns: int
    to_ns: int


def met(
    meeting: str, first: Fault, second: Fault, at_ns: int, phase_ns: int, took: Spans
) -> tuple[TimedFault, TimedFault]:
    """Two faults around an action at ``at_ns``, in one of the ways OVERLAPPING or CONSECUTIVE.

    ``phase_ns`` shifts them within the message period. A fault that ends before the action begins
    once all nodes have booted, if there is time for that.
    """
    there = _first(meeting, at_ns, phase_ns, took, lasting=first.lasting)
    then = _second(meeting, there, at_ns, phase_ns, took)
    return (
        TimedFault.lasting(first, there.from_ns, there.to_ns - there.from_ns),
        TimedFault.lasting(second, then.from_ns, then.to_ns - then.from_ns),
    )


def _first(meeting: str, at_ns: int, phase_ns: int, took: Spans, *, lasting: bool) -> Window:
    long_ns = took.outage if lasting else took.brief
    if meeting == "soon after":
        start_ns = max(0, at_ns - phase_ns)
        return Window(start_ns, start_ns + took.brief)
    if meeting == "while back":
        end_ns = max(at_ns - phase_ns, took.period)
        earliest_ns = min(took.up, end_ns - took.period)
        return Window(max(earliest_ns, end_ns - long_ns // 2), end_ns)
    return Window(max(0, at_ns - took.period - phase_ns), at_ns + long_ns)


def _second(meeting: str, there: Window, at_ns: int, phase_ns: int, took: Spans) -> Window:
    held_ns = there.to_ns - at_ns
    if meeting == "at once":
        start_ns = at_ns + min(took.period // 2 + phase_ns, held_ns // 2)
        return Window(start_ns, there.to_ns + took.outage // 2)
    if meeting == "amid":
        start_ns = at_ns + held_ns // 2 + phase_ns // 2
        return Window(start_ns, start_ns + took.brief)
    start_ns = {
        "as it clears": there.to_ns - took.period // 2 - phase_ns,
        "just cleared": there.to_ns + phase_ns,
        "soon after": there.to_ns + 2 * took.period + phase_ns,
        "while back": at_ns + took.period + phase_ns,
    }[meeting]
    return Window(start_ns, start_ns + took.outage)


MOST = 9_000
"""The most cases. Where there are more, those of two faults that strike one node are thinned."""
ANCHORS = (0, 1, 2)
"""The action between two faults: the first, the middle or the last one that they can spoil."""

Couple = tuple[Fault, Fault]


class Pairing(NamedTuple):
    """Two faults, and where and how they meet."""

    couple: Couple
    situation: str
    meeting: str
    anchor: int


class PairPlan(NamedTuple):
    """The cases, and sentences about what was left out of them."""

    cases: list[Scenario]
    left_out: tuple[str, ...]


def plan_pairs(vehicle: Vehicle, seed: int = 0) -> PairPlan:
    """All cases with two faults, and each situation without one, in the order of
    :func:`linkloss.campaign.plan.plan`.
    """
    return _PairPlanner(vehicle, seed).plan()


class _PairPlanner:
    def __init__(self, vehicle: Vehicle, seed: int) -> None:
        self.vehicle = vehicle
        self.maker = CaseMaker(vehicle, seed)
        self.relations = Relations(vehicle)
        self.random = Random(f"{seed}/pairs")  # noqa: S311 - repeatable on purpose
        self.faults = instances(vehicle)
        self.moments = cache(self._moments)

    def plan(self) -> PairPlan:
        close, far = self._close(), self._far()
        kept = max(0, MOST - len(far))
        thinned_out = len(close) - kept
        if thinned_out > 0:
            chosen = sorted(self.random.sample(range(len(close)), kept))
            close = [close[index] for index in chosen]
        cases = {case.name: case for case in map(self._case, (*close, *far))}
        first = without_fault(self.vehicle, self.maker.seed)
        ordered = in_order(self.vehicle, [*first, *cases.values()])
        return PairPlan(ordered, tuple(self._left_out(thinned_out)))

    def _left_out(self, thinned_out: int) -> list[str]:
        close, ways = len(self._close_couples), len(OVERLAPPING) + len(CONSECUTIVE)
        told = [
            f"{close:,} of {len(self.faults) ** 2:,} ordered pairs of faults strike one node.",
            "Each is tried wherever it matters, overlapping in time and one after the other.",
            f"For all other pairs, each two kinds meet in {ways} ways in time, at related places.",
            "Other pairs of places were left out: faults at far ends of the car seldom interact.",
            "The same lasting fault twice at one time was left out: it is one fault.",
            "Three and more faults at a time are left to the depth 'hunt'.",
        ]
        if thinned_out > 0:
            told.append(
                f"{thinned_out:,} of the cases that strike one node were left out by chance."
            )
        return told

    # ---- two faults that strike one node ----

    @cached_property
    def _close_couples(self) -> list[Couple]:
        striking = [fault for fault in self.faults if self.relations.strikes(fault)]
        return [couple for couple in product(striking, striking) if self.relations.close(*couple)]

    def _close(self) -> list[Pairing]:
        rows = [
            (couple, situation, ways)
            for couple in self._close_couples
            for situation in self.vehicle.situations
            if self._spoilt(couple, situation)
            for ways in (OVERLAPPING, CONSECUTIVE)
            if not (ways is OVERLAPPING and _one_fault(couple))
        ]
        gaps = extended(rows, range(len(OVERLAPPING)), self.random)
        return [
            Pairing(couple, situation, ways[gap], anchor)
            for couple, situation, ways, gap, anchor in extended(gaps, ANCHORS, self.random)
        ]

    # ---- all others ----

    def _far(self) -> list[Pairing]:
        by_kind: dict[str, list[Fault]] = {}
        for fault in self.faults:
            by_kind.setdefault(fault.kind, []).append(fault)
        choices = {
            (one, other): self._others(by_kind[one], by_kind[other])
            for one, other in product(by_kind, by_kind)
        }
        rows = list(product(by_kind, by_kind, (*OVERLAPPING, *CONSECUTIVE)))
        placed = extended(rows, tuple(self.vehicle.situations), self.random)
        used: dict[tuple[int, Fault], int] = {}
        found: list[Pairing] = []
        for one, other, meeting, situation, anchor in extended(placed, ANCHORS, self.random):
            couples = [
                couple
                for couple in choices[one, other]
                if not (meeting in OVERLAPPING and _one_fault(couple))
            ]
            if couples:
                couple = self._best(couples, situation, used)
                found.append(Pairing(couple, situation, meeting, anchor))
        return found

    def _others(self, first: Sequence[Fault], second: Sequence[Fault]) -> list[Couple]:
        """The pairs that do not strike one node; only related ones, if there are any."""
        found = [couple for couple in product(first, second) if not self.relations.close(*couple)]
        akin = [couple for couple in found if self.relations.relation(*couple) > APART]
        return akin or found

    def _best(
        self, couples: Sequence[Couple], situation: str, used: dict[tuple[int, Fault], int]
    ) -> Couple:
        """The pair to try in a situation. It matters there, its faults are related, and they were
        tried less often than others; a fault that was never tried in its place goes first.
        """

        def weight(couple: Couple) -> tuple[int, int]:
            matters = sum(bool(self.moments(fault, situation)) for fault in couple)
            related = self.relations.relation(*couple) >= LINKED
            times = [used.get(place, 0) for place in enumerate(couple)]
            return matters + related + 3 * times.count(0), -sum(times)

        weights = [weight(couple) for couple in couples]
        best = max(weights)
        equals = [couple for couple, of in zip(couples, weights, strict=True) if of == best]
        couple = self.random.choice(equals)
        for place in enumerate(couple):
            used[place] = used.get(place, 0) + 1
        return couple

    # ---- placing them in time ----

    def _moments(self, fault: Fault, situation: str) -> tuple[int, ...]:
        """The instants of a situation's actions that a fault can spoil, in ns."""
        return tuple(thinned(self.maker.spoilt(fault, situation)))

    def _spoilt(self, couple: Couple, situation: str) -> list[int]:
        """The instants of actions that both faults can spoil, or else that one of them can."""
        one, other = (self.moments(fault, situation) for fault in couple)
        both = [at_ns for at_ns in one if at_ns in other]
        return both or sorted({*one, *other})

    def _case(self, pairing: Pairing) -> Scenario:
        situation = pairing.situation
        found = self._spoilt(pairing.couple, situation)
        found = found or instants(self.vehicle.situations[situation])
        at_ns = found[pairing.anchor * (len(found) - 1) // max(ANCHORS)]
        phase_ns = self.random.randrange(max(1, self.maker.spans.period // MS)) * MS
        first, second = pairing.couple
        faults = met(pairing.meeting, first, second, at_ns, phase_ns, self.maker.spans)
        return self.maker.case(situation, faults)


def _one_fault(couple: Couple) -> bool:
    """Whether two faults at one time would be one fault."""
    return couple[0] == couple[1] and couple[0].lasting
