"""How thoroughly a vehicle is checked: which cases a depth runs, and out of how many.

    quick   a selection of the full check, for while the solder is still warm
    full    every fault alone, in every situation, around every action that it can spoil
    pairs   two faults, overlapping and one after the other
    hunt    sequences of faults and actions at random, guided by what earlier ones reached

Each depth stands for itself: ``pairs`` does not repeat the cases of ``full``. A hunt has no plan:
its cases are drawn as it goes on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal, NamedTuple

from bench.campaign.hunt import MOST_FAULTS
from bench.campaign.mutate import MOST_ACTIONS
from bench.campaign.pairs import plan_pairs
from bench.campaign.plan import WIRING_LEFT_OUT, WIRING_SITUATIONS, plan
from bench.campaign.quick import plan_quick
from bench.campaign.space import Space, measured
from bench.model.loading import Vehicle
from bench.scenario import Scenario

Depth = Literal["quick", "full", "pairs", "hunt"]


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
        f"A fault of the wiring is tried alone, in {WIRING_SITUATIONS} situations each.",
    )
    space = measured("full", vehicle, cases, singles=len(cases), left_out=left_out)
    return Planned(cases, space)


def _pairs(vehicle: Vehicle, seed: int) -> Planned:
    cases, left_out = plan_pairs(vehicle, seed)
    left_out = (*left_out, WIRING_LEFT_OUT)
    singles = len(plan(vehicle, seed))
    return Planned(cases, measured("pairs", vehicle, cases, singles=singles, left_out=left_out))


def _hunt(vehicle: Vehicle, seed: int) -> Planned:
    drawn = f"up to {MOST_FAULTS} faults and {MOST_ACTIONS} further actions in a case"
    left_out = (
        f"Drawn at random: {drawn}, at instants at which something changes or is due.",
        "What reached something new, or left less time than before, was varied further.",
        "Nobody can say what a hunt has not met.",
        WIRING_LEFT_OUT,
    )
    singles = len(plan(vehicle, seed))
    return Planned([], measured("hunt", vehicle, [], singles=singles, left_out=left_out))


_PLANNERS: Mapping[Depth, Callable[[Vehicle, int], Planned]] = {
    "quick": _quick,
    "full": _full,
    "pairs": _pairs,
    "hunt": _hunt,
}
