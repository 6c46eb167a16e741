"""Cases with two faults: every ordered pair of kinds, overlapping and one after the other, with
an action of the driver between them.

Two faults that strike one node are where programs go wrong: each such pair of instances is tried
in every situation that it matters in. Of all others each pair of kinds meets in each way in time,
at instances that have to do with one another. Situation, gap and action come from covering
arrays, the phase within the message period from chance: another seed tries others.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache, cached_property
from itertools import product
from random import Random
from typing import NamedTuple

from linkloss.campaign.cases import (
    MS,
    CaseMaker,
    in_order,
    instances,
    instants,
    thinned,
    without_fault,
)
from linkloss.campaign.couples import APART, LINKED, Kinship
from linkloss.campaign.covering import extended
from linkloss.campaign.meeting import CONSECUTIVE, OVERLAPPING, met
from linkloss.faults.base import Fault
from linkloss.model.loading import Vehicle
from linkloss.scenario import Scenario

MOST = 9_000
"""No more cases than this; beyond, those of two faults that strike one node are thinned."""
ANCHORS = (0, 1, 2)
"""The action between two faults: the first, the middle or the last one that they can spoil."""

Couple = tuple[Fault, Fault]


class Pairing(NamedTuple):
    """Two faults, where and how they meet."""

    couple: Couple
    situation: str
    meeting: str
    anchor: int


class PairPlan(NamedTuple):
    """The cases, and in plain sentences what was left out of them."""

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
        self.kinship = Kinship(vehicle)
        self.random = Random(f"{seed}/pairs")  # noqa: S311 - repeatable on purpose
        self.faults = instances(vehicle)
        self.up_ns = max(node.boot for node in vehicle.nodes.values())
        self.up_ns += 2 * self.maker.spans.period
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
            f"Of all other pairs each two kinds meet in {ways} ways in time, at related places.",
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
        striking = [fault for fault in self.faults if self.kinship.strikes(fault)]
        return [couple for couple in product(striking, striking) if self.kinship.close(*couple)]

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
        """The couples that do not strike one node, without those that nothing connects, if there
        are any that something does.
        """
        found = [couple for couple in product(first, second) if not self.kinship.close(*couple)]
        akin = [couple for couple in found if self.kinship.relation(*couple) > APART]
        return akin or found

    def _best(
        self, couples: Sequence[Couple], situation: str, used: dict[tuple[int, Fault], int]
    ) -> Couple:
        """The couple to try in a situation: it matters there, its faults are related, they were
        tried less than others; a fault that was never tried in this place goes first.
        """

        def weight(couple: Couple) -> tuple[int, int]:
            matters = sum(bool(self.moments(fault, situation)) for fault in couple)
            related = self.kinship.relation(*couple) >= LINKED
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
        """When something is done in a situation that a fault can spoil."""
        return tuple(
            thinned(
                action.at
                for action in self.vehicle.situations[situation].actions
                if self.maker.relevance.matters(fault, action.set)
            )
        )

    def _spoilt(self, couple: Couple, situation: str) -> list[int]:
        """When something is done that both faults can spoil, or else one of them."""
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
        spans = self.maker.spans
        faults = met(pairing.meeting, first, second, at_ns, phase_ns, spans, self.up_ns)
        return self.maker.case(situation, faults)


def _one_fault(couple: Couple) -> bool:
    """Whether two faults at one time would be one."""
    return couple[0] == couple[1] and couple[0].lasting
