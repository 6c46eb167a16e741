"""The quick selection: a few hundred of the planned cases, by what they can show.

Chosen without running anything and without chance: every situation without a fault, every fault
where it spoils most, then whatever adds the most that no chosen case shows yet.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from heapq import heapify, heappop, heappush
from typing import NamedTuple

from linkloss.campaign.cases import CaseMaker, in_order
from linkloss.campaign.electrical import is_electrical, one_of_each
from linkloss.campaign.plan import plan
from linkloss.campaign.traits import Trait, Traits
from linkloss.model.loading import Vehicle
from linkloss.scenario import Scenario

WEIGHTS = {"never": 8, "held": 3}
"""Traits that decide which rules are put to the test count more than the others."""
NEEDED = ("situation", "rule", "fault", "lost")
"""Each of these is among the chosen cases, however many it takes."""
MOST = 450
"""No more cases than this, unless there are more situations and faults."""


class QuickPlan(NamedTuple):
    """The cases, how many there were to choose from, and what was left out, in sentences."""

    cases: list[Scenario]
    singles: int
    left_out: tuple[str, ...]


def plan_quick(vehicle: Vehicle, seed: int = 0, *, logged: bool = False) -> QuickPlan:
    """The quick cases, in the order of :func:`linkloss.campaign.plan.plan` and with its names."""
    planned = plan(vehicle, seed, logged=logged)
    every = [case for case in planned if not is_electrical(case)]
    traits = Traits(CaseMaker(vehicle, seed))
    shown = [traits.of(case) for case in every]
    chosen, missed = _selected(every, shown)
    apart = one_of_each(traits, (case for case in planned if is_electrical(case)))
    left_out = [
        f"{len(planned) - len(chosen) - len(apart):,} cases with a single fault were left out.",
        "They differ from chosen ones only in situation, instant, length or the other loads.",
    ]
    if missed:
        left_out.append(f"{missed:,} combinations of load, change and fault are not among them.")
    cases = in_order(vehicle, [*(every[index] for index in chosen), *apart])
    return QuickPlan(cases, len(planned), tuple(left_out))


def _selected(cases: Sequence[Scenario], shown: Sequence[Sequence[Trait]]) -> tuple[list[int], int]:
    """The chosen cases by number, and how many traits none of them has."""
    showing: dict[Trait, list[int]] = {}
    for index, traits in enumerate(shown):
        for trait in traits:
            showing.setdefault(trait, []).append(index)
    lacking = dict.fromkeys(showing)
    chosen: list[int] = []
    for trait in (trait for kind in NEEDED for trait in showing if trait[0] == kind):
        if trait in lacking:
            chosen.append(_richest(showing[trait], cases, shown, lacking))
            _strike(shown[chosen[-1]], lacking)
    queue = [(-_worth(traits), cases[index].lasts_ns, index) for index, traits in enumerate(shown)]
    heapify(queue)
    while queue and len(chosen) < MOST and lacking:
        value, lasts_ns, index = heappop(queue)
        news = _worth(trait for trait in shown[index] if trait in lacking)
        if news and -value > news:  # it was worth more when it was last looked at
            heappush(queue, (-news, lasts_ns, index))
        elif news:
            chosen.append(index)
            _strike(shown[index], lacking)
    return sorted(chosen), len(lacking)


def _worth(traits: Iterable[Trait]) -> int:
    return sum(WEIGHTS.get(trait[0], 1) for trait in traits)


def _richest(
    among: Sequence[int],
    cases: Sequence[Scenario],
    shown: Sequence[Sequence[Trait]],
    lacking: Collection[Trait],
) -> int:
    """The case that shows most that none has shown yet; of equals the shortest."""
    return min(
        among,
        key=lambda index: (
            -sum(trait in lacking for trait in shown[index]),
            cases[index].lasts_ns,
        ),
    )


def _strike(traits: Sequence[Trait], lacking: dict[Trait, None]) -> None:
    for trait in traits:
        lacking.pop(trait, None)
