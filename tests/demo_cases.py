"""Cases of the demo car's check, to be run with other programs and other rules in it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

from linkloss.campaign.depth import left_unjudged, planned
from linkloss.campaign.isolation import isolated
from linkloss.campaign.result import CheckReport
from linkloss.campaign.rotation import key_of
from linkloss.judge import declared_rules
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle, load_vehicle

WREN = Path(__file__).parents[1] / "scenarios" / "wren" / "vehicle.toml"


@cache
def wren() -> Vehicle:
    """The demo car as it is shipped."""
    return load_vehicle(WREN)


@cache
def wren_cases() -> Sequence[Scenario]:
    """All cases of the demo car's check."""
    return planned(wren(), "full").cases


def narrow(
    vehicle: Vehicle, kinds: Collection[str], situations: Collection[str], at: str = ""
) -> CheckReport:
    """Some cases of the demo car's check, each run apart with another vehicle: the plan is made
    once, whatever program is tried. ``at``: the node or message that the fault concerns.
    """
    cases = [
        replace(case, vehicle=vehicle)
        for case in wren_cases()
        if case.kinds in kinds
        and case.situation in situations
        and (not at or at in (key_of(timed.fault).subject for timed in case.faults))
    ]
    assert cases, (kinds, situations)
    results = isolated(cases, branch=False, limit_s=60)
    rules, silent = tuple(declared_rules(vehicle)), left_unjudged(vehicle)
    return CheckReport(vehicle, 0, rules, results, len(cases), unjudged=silent)
