"""linkloss runs a home-built car's CAN nodes on a simulated wire, breaks things, and judges
whether every load went where it must.

    from bench import check, load_scenario, load_vehicle, run

    report = check(load_vehicle("scenarios/wren/vehicle.toml"))
    result = run(load_scenario("scenarios/wren/tail_cable_pulled.toml"))

The names below are loaded when they are first used: ``linkloss --help`` needs none of them.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.campaign.check import check
    from bench.campaign.result import CheckReport, RunResult
    from bench.campaign.run import run
    from bench.campaign.stories import find_stories
    from bench.judge.verdict import Outcome, Verdict
    from bench.model.loading import Vehicle, load_vehicle
    from bench.model.problem import BadInput
    from bench.recording import Recording
    from bench.scenario import Scenario, load_scenario

_HOMES = {
    "BadInput": "bench.model.problem",
    "CheckReport": "bench.campaign.result",
    "Outcome": "bench.judge.verdict",
    "Recording": "bench.recording",
    "RunResult": "bench.campaign.result",
    "Scenario": "bench.scenario",
    "Vehicle": "bench.model.loading",
    "Verdict": "bench.judge.verdict",
    "check": "bench.campaign.check",
    "find_stories": "bench.campaign.stories",
    "load_scenario": "bench.scenario",
    "load_vehicle": "bench.model.loading",
    "run": "bench.campaign.run",
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
        raise AttributeError(f"module 'bench' has no attribute '{name}'")
    return getattr(importlib.import_module(_HOMES[name]), name)
