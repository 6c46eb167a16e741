"""How thoroughly a vehicle is checked: which cases a depth runs, and out of how many.

    quick   a selection of the full check, for while the solder is still warm
    full    every fault alone, in every situation, around every action that it can spoil
    pairs   two faults, overlapping and one after the other
    hunt    sequences of faults and actions at random, guided by what earlier ones reached

Each depth stands for itself: ``pairs`` does not repeat the cases of ``full``. A hunt has no plan:
its cases are drawn as it goes on.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Literal, NamedTuple

from linkloss.campaign.cases import CaseMaker
from linkloss.campaign.hunt import MOST_FAULTS
from linkloss.campaign.mutate import MOST_ACTIONS
from linkloss.campaign.pairs import plan_pairs
from linkloss.campaign.plan import (
    CLOCKS_LEFT_OUT,
    WIRING_LEFT_OUT,
    WIRING_SITUATIONS,
    plan,
    plan_full,
)
from linkloss.campaign.quick import plan_quick
from linkloss.campaign.space import Space, measured
from linkloss.campaign.traits import Traits
from linkloss.model.loading import Vehicle
from linkloss.scenario import Scenario

SOME = 3
"""So many of what was not met are named."""
Depth = Literal["quick", "full", "pairs", "hunt"]


class Planned(NamedTuple):
    """The cases of a depth in their order, and the space that they were chosen from."""

    cases: list[Scenario]
    space: Space


@lru_cache(maxsize=4)
def planned(vehicle: Vehicle, depth: Depth, seed: int = 0, *, logged: bool = False) -> Planned:
    """The cases that a depth runs, the same for the same vehicle and seed. ``logged``: what is
    done comes out of a log, for the depths quick and full.
    """
    if depth == "quick":
        return _quick(vehicle, seed, logged=logged)
    if depth == "full":
        return _full(vehicle, seed, logged=logged)
    return _pairs(vehicle, seed) if depth == "pairs" else _hunt(vehicle, seed)


def _quick(vehicle: Vehicle, seed: int, *, logged: bool) -> Planned:
    cases, singles, left_out = plan_quick(vehicle, seed, logged=logged)
    pairs = "Two faults at a time are left to the depth 'pairs'."
    left_out = (*left_out, pairs, *([] if logged else _hidden_ends(vehicle)))
    space = measured("quick", vehicle, cases, singles=singles, left_out=left_out)
    return Planned(cases, space)


def _full(vehicle: Vehicle, seed: int, *, logged: bool) -> Planned:
    cases, unrotated = plan_full(vehicle, seed, logged=logged)
    left_out = [
        "Around an action that a fault cannot spoil it is tried once for each situation.",
        "A lasting fault that is none of the cable is tried around two actions of a situation.",
        "Faults that differ in a detail alone share the situations.",
        "Two faults at a time are left to the depth 'pairs', but for a plug that carries supply.",
        f"A fault of the wiring is tried alone, in {WIRING_SITUATIONS} situations each.",
    ]
    if unrotated:
        some = "; ".join(unrotated[:SOME]) + (" ..." if len(unrotated) > SOME else "")
        left_out.append(f"Of what rotates from case to case {len(unrotated)} were not met: {some}.")
    if not logged:
        left_out += _hidden_ends(vehicle)
    space = measured("full", vehicle, cases, singles=len(cases), left_out=left_out)
    return Planned(cases, space)


def _hidden_ends(vehicle: Vehicle) -> Iterator[str]:
    """The situations that should end another way, in words."""
    for name, loads in Traits(CaseMaker(vehicle)).hidden_ends().items():
        yield (
            f"The end of situation '{name}' hides recovery: {', '.join(loads)} would be the same"
            " without a link. An action more at its end would tell."
        )


def _pairs(vehicle: Vehicle, seed: int) -> Planned:
    cases, left_out = plan_pairs(vehicle, seed)
    left_out = (*left_out, WIRING_LEFT_OUT, CLOCKS_LEFT_OUT)
    singles = len(plan(vehicle, seed))
    return Planned(cases, measured("pairs", vehicle, cases, singles=singles, left_out=left_out))


def _hunt(vehicle: Vehicle, seed: int) -> Planned:
    drawn = f"up to {MOST_FAULTS} faults and {MOST_ACTIONS} further actions in a case"
    left_out = (
        f"Drawn at random: {drawn}, at instants at which something changes or is due.",
        "What reached something new, or left less time than before, was varied further.",
        "Nobody can say what a hunt has not met.",
        WIRING_LEFT_OUT,
        CLOCKS_LEFT_OUT,
    )
    singles = len(plan(vehicle, seed))
    return Planned([], measured("hunt", vehicle, [], singles=singles, left_out=left_out))
