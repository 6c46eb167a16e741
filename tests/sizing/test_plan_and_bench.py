"""The plan and the bench agree: where the plan of a car drawn at random finds nothing, a session
that runs every start and everything on opens no fuse, trips no switch and resets no node; what goes
wrong in a session stands in the plan, at the load, a load on its fuse, or the node.

``LINKLOSS_POWER_CARS`` says how many cars are drawn; each is tried as drawn, and with the sizes
that the plan suggests, which lie at the edge of its rules.
"""

from __future__ import annotations

import os
from collections import Counter

import pytest
from drawn_cars import benched, drawn_car

from linkloss.sizing.power_plan import PowerPlan, power_plan
from linkloss.sizing.suggest import suggest
from linkloss.vehicle.loading import Vehicle

FEW = 8
MANY = 2000


def told(plan: PowerPlan, what: str, name: str) -> bool:
    """Whether the plan says before what a session shows."""
    loads = plan.vehicle.loads
    places = {name, name.removeprefix("feed of ")}
    if name in loads:
        owner = loads[name].electrical.fuse_with or name
        places |= {loads[name].node, owner}
        places |= {other for other, load in loads.items() if load.electrical.fuse_with == owner}
    hints = plan.hints if what == "reset" else ()
    return any(finding.subject in places for finding in (*plan.broken, *hints))


def compared(vehicle: Vehicle, plan: PowerPlan, counts: Counter[str]) -> list[str]:
    """What a session shows and the plan does not say, with the battery alone and while charging."""
    wrong = [*benched(vehicle, charging=False), *benched(vehicle, charging=True)]
    counts["quiet plans" if not plan.broken else "plans with something to change"] += 1
    counts["quiet sessions" if not wrong else "sessions with something wrong"] += 1
    counts["wrong in a session where the plan is quiet"] += bool(wrong and not plan.broken)
    return [f"{what} {name}" for what, name in wrong if not told(plan, what, name)]


def tried(folder, seeds: range) -> Counter[str]:
    """The cars of these seeds, tried; what was seen how often."""
    counts: Counter[str] = Counter()
    missed = {}
    for seed in seeds:
        vehicle = drawn_car(folder, seed).load()
        plan = power_plan(vehicle)
        missed[seed, "drawn"] = compared(vehicle, plan, counts)
        suggestion = suggest(vehicle)
        sized = suggestion.plan.vehicle
        missed[seed, "sized"] = compared(sized, suggestion.plan, counts)
    assert {key: found for key, found in missed.items() if found} == {}
    return counts


def test_a_few_cars_drawn_at_random(tmp_path):
    counts = tried(tmp_path, range(FEW))
    assert counts["quiet plans"] >= FEW // 2
    assert counts["sessions with something wrong"] >= FEW // 4
    assert counts["wrong in a session where the plan is quiet"] == 0


@pytest.mark.slow
def test_many_cars_drawn_at_random(tmp_path):
    counts = tried(tmp_path, range(int(os.environ.get("LINKLOSS_POWER_CARS", MANY))))
    print(dict(counts))
    assert counts["wrong in a session where the plan is quiet"] == 0
