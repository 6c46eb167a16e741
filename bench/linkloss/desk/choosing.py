"""Which cases are worth the real time: those that show most of the node in a minute.

The cases are those of the full check whose faults the board and the bench can do. The nodes' clocks
start at zero here, since nobody can set that of a real one. What a case can show of the node is
worked out from the vehicle file, as for the quick check; the next case is always the one that adds
most for its time to what the cases before it show.
"""

from __future__ import annotations

import heapq
from collections.abc import Collection, Iterator
from dataclasses import replace

from linkloss.campaign.cases import CaseMaker
from linkloss.campaign.depth import Trait, Traits, planned
from linkloss.campaign.selection import case_named
from linkloss.desk.fault_ways import Way, doable, way_of
from linkloss.faults.base import Fault
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle

AROUND_NS = 1_500_000_000
"""What a case takes besides its own time: the node is stopped, and the adapter asked."""


def candidates(
    vehicle: Vehicle,
    node: str,
    seed: int,
    only: Collection[str] | None = None,
    situations: Collection[str] | None = None,
) -> list[Scenario]:
    """The cases that can be done at a real node, each once."""
    found: dict[str, Scenario] = {}
    for case in planned(vehicle, "full", seed).cases:
        if only is not None and case.kinds not in only:
            continue
        if situations is not None and case.situation not in situations:
            continue
        if not doable(vehicle, node, replace(case, clocks={}, drifts={})):
            continue
        plain = _without_clocks(vehicle, case, seed)
        if plain is not None:
            found.setdefault(plain.name, plain)
    return list(found.values())


def _without_clocks(vehicle: Vehicle, case: Scenario, seed: int) -> Scenario | None:
    if not (case.clocks or case.drifts):
        return case
    parts = [p for p in case.name.split("/") if not p.startswith(("clocks(", "drifts("))]
    return case_named(vehicle, "/".join(parts), seed)


def in_turn(vehicle: Vehicle, node: str, cases: Collection[Scenario]) -> Iterator[Scenario]:
    """The cases: each situation without a fault, then the one that adds most for its time, then
    those that add nothing new; the shortest first of equals. Soaks come last.
    """
    plain = [case for case in cases if not case.faults and not case.counted_as]
    yield from sorted(plain, key=lambda case: case.lasts_ns)
    seed = next((case.seed for case in cases), 0)
    traits = _OfNode(vehicle, node, seed)
    shown: set[Trait] = set()
    heap: list[tuple[float, int, Scenario, frozenset[Trait]]] = []
    left = [case for case in cases if case.counted_as]
    for place, case in enumerate(c for c in cases if c.faults and not c.counted_as):
        own = traits.of(case)
        if own:
            heapq.heappush(heap, (-_worth(own, case), place, case, own))
        else:
            left.append(case)
    while heap:
        worth, place, case, own = heapq.heappop(heap)
        new = own - shown
        now = -_worth(new, case)
        if now > worth:  # others have shown some of it meanwhile
            if new:
                heapq.heappush(heap, (now, place, case, new))
            else:
                left.append(case)
            continue
        shown |= new
        yield case
    yield from sorted(left, key=lambda case: case.lasts_ns)


_WEIGHTS = {"load": 4.0, "input": 4.0, "never": 2.0, "lost": 2.0, "held": 1.0, "fault": 0.5}
"""What a case shows of a load counts for more than that it has a fault which no other has."""


def _worth(traits: Collection[Trait], case: Scenario) -> float:
    """What some traits of a case are worth for each second that it takes."""
    takes_s = (case.lasts_ns + AROUND_NS) / 1e9
    return sum(_WEIGHTS[trait[0]] for trait in traits) / takes_s


class _OfNode:
    """What a case can show of one node."""

    def __init__(self, vehicle: Vehicle, node: str, seed: int) -> None:
        self._traits = Traits(CaseMaker(vehicle, seed))
        self._vehicle, self._node = vehicle, node
        self._felt = set(vehicle.io[node].feels)
        loads = [load for load in vehicle.loads.values() if load.node == node]
        self._heard = {message for load in loads for message in load.messages}
        self._inputs = {name for name, i in vehicle.inputs.items() if node in i.wired_to}

    def of(self, case: Scenario) -> frozenset[Trait]:
        return frozenset(t for t in self._traits.of(case) if self._concerns(t, case))

    def _concerns(self, trait: Trait, case: Scenario) -> bool:
        if trait[0] in ("load", "held", "lost", "never"):
            return trait[1] in self._felt
        if trait[0] == "input":
            return trait[1] in self._inputs
        if trait[0] == "fault":
            return any(self._touches(timed.fault) for timed in case.faults)
        return False

    def _touches(self, fault: Fault) -> bool:
        if way_of(self._vehicle, self._node, fault) is Way.BOARD or self._node in fault.nodes():
            return True
        receiver = getattr(fault, "receiver", self._node)
        return getattr(fault, "message", "") in self._heard and receiver == self._node
