"""How thoroughly a vehicle is checked: which cases a depth runs, and out of how many.

    quick   a selection of the full check, for while the solder is still warm
    full    every fault alone, in every situation, around every action that it can spoil
    pairs   two faults, overlapping and one after the other

Each depth stands for itself: ``pairs`` does not repeat the cases of ``full``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal, NamedTuple

from bench.campaign.pairs import plan_pairs
from bench.campaign.plan import plan
from bench.campaign.quick import plan_quick
from bench.campaign.space import Space, measured
from bench.model.loading import Vehicle
from bench.scenario import Scenario

Depth = Literal["quick", "full", "pairs"]


class Planned(NamedTuple):
    """The cases of a depth in their order, and the space that they were chosen from."""

    cases: list[Scenario]
    space: Space


def planned(vehicle: Vehicle, depth: Depth, seed: int = 0) -> Planned:
    """The cases that a depth runs, the same for the same vehicle and seed."""
    return _PLANNERS[depth](vehicle, seed)


def _quick(vehicle: Vehicle, seed: int) -> Planned:
    cases, singles, left_out = plan_quick(vehicle, seed)
    left_out = (*left_out, "Two faults at a time are left to the depth 'pairs'.")
    space = measured("quick", vehicle, cases, singles=singles, left_out=left_out)
    return Planned(cases, space)


def _full(vehicle: Vehicle, seed: int) -> Planned:
    cases = plan(vehicle, seed)
    left_out = (
        "Around an action that a fault cannot spoil it is tried once for each situation.",
        "A fault that is none of the cable is tried around two actions of a situation at most.",
        "Two faults at a time are left to the depth 'pairs', but for a plug that carries supply.",
    )
    space = measured("full", vehicle, cases, singles=len(cases), left_out=left_out)
    return Planned(cases, space)


def _pairs(vehicle: Vehicle, seed: int) -> Planned:
    cases, left_out = plan_pairs(vehicle, seed)
    singles = len(plan(vehicle, seed))
    return Planned(cases, measured("pairs", vehicle, cases, singles=singles, left_out=left_out))


_PLANNERS: Mapping[Depth, Callable[[Vehicle, int], Planned]] = {
    "quick": _quick,
    "full": _full,
    "pairs": _pairs,
}
