"""linkloss runs a home-built car's CAN nodes on a simulated bus, breaks things, and judges whether
every load went where it must.

    from linkloss import check, load_scenario, load_vehicle, run

    report = check(load_vehicle("scenarios/wren/vehicle.toml"))
    result = run(load_scenario("scenarios/wren/tail_cable_pulled.toml"))

The names below are loaded on first use: ``linkloss --help`` needs none of them.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from linkloss.campaign.check import check
    from linkloss.campaign.result import CheckReport, RunResult
    from linkloss.campaign.run import run
    from linkloss.campaign.stories import find_stories
    from linkloss.judge.verdict import Outcome, Verdict
    from linkloss.problem import BadInput
    from linkloss.recording import Recording
    from linkloss.scenario import Scenario, load_scenario
    from linkloss.vehicle.loading import Vehicle, load_vehicle

_HOMES = {
    "BadInput": "linkloss.problem",
    "CheckReport": "linkloss.campaign.result",
    "Outcome": "linkloss.judge.verdict",
    "Recording": "linkloss.recording",
    "RunResult": "linkloss.campaign.result",
    "Scenario": "linkloss.scenario",
    "Vehicle": "linkloss.vehicle.loading",
    "Verdict": "linkloss.judge.verdict",
    "check": "linkloss.campaign.check",
    "find_stories": "linkloss.campaign.stories",
    "load_scenario": "linkloss.scenario",
    "load_vehicle": "linkloss.vehicle.loading",
    "run": "linkloss.campaign.run",
}

__all__ = [
    "BadInput",
    "CheckReport",
    "Outcome",
    "Recording",
    "RunResult",
    "Scenario",
    "Vehicle",
    "Verdict",
    "check",
    "find_stories",
    "load_scenario",
    "load_vehicle",
    "run",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'linkloss' has no attribute '{name}'")
    return getattr(importlib.import_module(_HOMES[name]), name)
