"""How thoroughly a vehicle is checked: which cases a depth runs, and out of how many.

    quick   a selection of the full check, for while the solder is still warm
    full    every fault alone, in every situation, around every action that it can spoil
    pairs   two faults, overlapping and one after the other
    hunt    sequences of faults and actions at random, guided by what earlier ones reached

Each depth stands for itself: ``pairs`` does not repeat the cases of ``full``. A hunt has no plan:
its cases are drawn as it goes on.

What a check cannot judge of a vehicle: what has no rule, and which faults it cannot have.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import replace
from functools import lru_cache
from typing import Literal, NamedTuple

from linkloss.campaign.asked import Asked
from linkloss.campaign.hunt import MOST_ACTIONS, MOST_FAULTS
from linkloss.campaign.pairs import plan_pairs
from linkloss.campaign.plan import (
    CLOCKS_LEFT_OUT,
    WIRING_LEFT_OUT,
    WIRING_SITUATIONS,
    plan,
    plan_full,
)
from linkloss.campaign.quick import quick
from linkloss.campaign.reach import Space, measured
from linkloss.campaign.rotation import ROLL_OVERS, rolled_over
from linkloss.faults.catalogue import catalogue
from linkloss.judge import Unjudged, unjudged
from linkloss.problem import nearest
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle

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
    cases, singles, left_out = _CHOOSERS[depth](vehicle, seed, logged)
    return Planned(cases, measured(depth, vehicle, cases, singles=singles, left_out=left_out))


class _Choice(NamedTuple):
    """The cases, how many there are with a single fault, and what was left out, in sentences."""

    cases: list[Scenario]
    singles: int
    left_out: list[str]


def _quick(vehicle: Vehicle, seed: int, logged: bool) -> _Choice:
    planned = plan(vehicle, seed, logged=logged)
    cases, left_out = quick(vehicle, planned)
    left_out.append("Two faults at a time are left to the depth 'pairs'.")
    return _Choice(cases, len(planned), [*left_out, *_hidden_ends(vehicle, logged)])


def _full(vehicle: Vehicle, seed: int, logged: bool) -> _Choice:
    cases, unrotated = plan_full(vehicle, seed, logged=logged)
    left_out = [
        "Where a fault cannot affect an action, it is tried once in each situation.",
        "A lasting fault outside the cable is tried around two actions of a situation.",
        "Faults that differ only in a detail share the situations.",
        "Two faults at a time are left to the depth 'pairs', except a plug that carries supply.",
        f"A fault of the wiring is tried alone, in {WIRING_SITUATIONS} situations each.",
    ]
    if unrotated:
        some = "; ".join(unrotated[:SOME]) + (" ..." if len(unrotated) > SOME else "")
        left_out.append(f"Of what rotates from case to case {len(unrotated)} were not met: {some}.")
    return _Choice(cases, len(cases), [*left_out, *_hidden_ends(vehicle, logged)])


def _pairs(vehicle: Vehicle, seed: int, logged: bool) -> _Choice:  # noqa: ARG001
    cases, left_out = plan_pairs(vehicle, seed)
    singles = len(plan(vehicle, seed))
    return _Choice(cases, singles, [*left_out, WIRING_LEFT_OUT, CLOCKS_LEFT_OUT])


def _hunt(vehicle: Vehicle, seed: int, logged: bool) -> _Choice:  # noqa: ARG001
    drawn = f"up to {MOST_FAULTS} faults and {MOST_ACTIONS} further actions in a case"
    left_out = [
        f"Drawn at random: {drawn}, at instants at which something changes or is due.",
        "What reached something new, or left less time than before, was varied further.",
        "Nobody can say what a hunt has not met.",
        WIRING_LEFT_OUT,
        CLOCKS_LEFT_OUT,
    ]
    return _Choice([], len(plan(vehicle, seed)), left_out)


def _hidden_ends(vehicle: Vehicle, logged: bool) -> Iterator[str]:
    """The situations that should end another way, in words; none of a log's windows."""
    if logged:
        return
    for name, loads in Asked(vehicle).hidden_ends().items():
        yield (
            f"The end of situation '{name}' hides recovery: {', '.join(loads)} would be the same"
            " without a link. One more action at its end would show it."
        )


_CHOOSERS = {"quick": _quick, "full": _full, "pairs": _pairs, "hunt": _hunt}


_ROLL_OVER = "roll-over of"


def left_unjudged(
    vehicle: Vehicle, logged: Collection[str] = (), cases: Iterable[Scenario] | None = None
) -> tuple[Unjudged, ...]:
    """All that stays unjudged in a check of a vehicle, each with what its file says of it. With
    ``cases`` also the roll-overs that no case reaches. What the file allows and nothing is called
    by comes last.
    """
    allowed = {entry.what: entry.reason for entry in vehicle.file.unjudged}
    found = [*unjudged(vehicle, logged), *_untried(vehicle)]
    if cases is not None:
        found += _not_rolled_over(vehicle, logged, cases)
    told = [replace(entry, allowed=allowed.get(entry.what, "")) for entry in found]
    return (*told, *([] if logged else _idle(allowed, [entry.what for entry in found])))


def _idle(allowed: Iterable[str], found: Collection[str]) -> Iterator[Unjudged]:
    """Entries of the file that excuse nothing: a name that was mistyped, or a rule that has come
    since.
    """
    for what in allowed:
        if what not in found and not what.startswith(_ROLL_OVER):
            reason = "[[unjudged]] names it, and nothing unjudged is called so" + nearest(
                what, found
            )
            yield Unjudged(what, reason)


def _not_rolled_over(
    vehicle: Vehicle, logged: Collection[str], cases: Iterable[Scenario]
) -> Iterator[Unjudged]:
    """The roll-overs of nodes' own clocks that no case reaches."""
    met = {entry for case in cases for entry in rolled_over(case)}
    for node in vehicle.nodes:
        for name in ROLL_OVERS:
            if node not in logged and (node, name) not in met:
                what = f"{_ROLL_OVER} {node}'s clock at {name}"
                yield Unjudged(what, "no case reaches it")


def _untried(vehicle: Vehicle) -> Iterator[Unjudged]:
    """The kinds of faults that the vehicle has no place for."""
    if vehicle.supply is None:
        reason = "the vehicle has no [supply]: no fault of supply, fuses, leads or relays is tried"
        yield Unjudged("supply", reason)
    for kind, form in catalogue().items():
        if form.electrical and vehicle.supply is None:
            continue
        if not any(True for source in (form.every, form.of_wiring) for _ in source(vehicle)):
            yield Unjudged(f"fault {kind}", form.needs or "nothing in the vehicle can have it")
