"""Cases of the demo car's check, to be run with other programs and other rules in it."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from functools import cache

from linkloss.campaign.depth import Depth, Planned, left_unjudged, planned
from linkloss.campaign.isolation import isolated
from linkloss.campaign.result import CaseResult, CheckReport
from linkloss.campaign.rotation import key_of
from linkloss.judge import declared_rules
from linkloss.scenario import Scenario
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.loading import Vehicle, load_vehicle

WHOLE = False
"""Whether every case is run even where a test has seen enough: ``same_verdicts.py`` asks for it."""

WREN = demo_vehicle()


@cache
def wren() -> Vehicle:
    """The demo car as it is shipped."""
    return load_vehicle(WREN)


@cache
def wren_planned(depth: Depth, seed: int = 0) -> Planned:
    """What a check of the demo car plans, once for all tests: it takes seconds."""
    return planned(wren(), depth, seed)


def some_cases(kinds: Collection[str], situations: Collection[str], at: str = "") -> list[Scenario]:
    """Cases of the demo car's full check. ``at``: the node or message that a fault, if there is
    one, concerns.
    """

    def concerns(case: Scenario) -> bool:
        subjects = [key_of(timed.fault).subject for timed in case.faults]
        return not at or not subjects or at in subjects

    cases = [
        case
        for case in wren_planned("full").cases
        if case.kinds in kinds and case.situation in situations and concerns(case)
    ]
    assert cases, (kinds, situations)
    return cases


def narrow(
    vehicle: Vehicle,
    kinds: Collection[str],
    situations: Collection[str],
    at: str = "",
    *,
    every: int = 1,
    until: Callable[[CheckReport], bool] | None = None,
) -> CheckReport:
    """Some cases of the demo car's check, each run apart with another vehicle: the plan is made
    once, whatever program is tried. ``every``: 3 runs every third of them. ``until``: run no more
    once that holds of the report.
    """
    chosen = some_cases(kinds, situations, at)[::every]
    cases = [replace(case, vehicle=vehicle) for case in chosen]
    if until is None or WHOLE:
        return reported(vehicle, isolated(cases, branch=False, limit_s=60))
    results: list[CaseResult] = []
    for case in cases:
        results += isolated([case], branch=False, limit_s=60)
        if until(reported(vehicle, results)):
            break
    return reported(vehicle, results)


def reported(vehicle: Vehicle, results: list[CaseResult]) -> CheckReport:
    """What a check says that has these results of its cases."""
    rules, silent = tuple(declared_rules(vehicle)), left_unjudged(vehicle)
    return CheckReport(vehicle, 0, rules, results, len(results), unjudged=silent)
