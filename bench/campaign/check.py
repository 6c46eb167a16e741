"""The whole check of a vehicle: plan the cases, run them, keep what they amount to."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Sequence
from functools import partial
from itertools import islice
from pathlib import Path

from bench.campaign.plan import plan
from bench.campaign.result import CheckReport
from bench.campaign.store import CaseStore
from bench.campaign.workers import run_cases
from bench.judge import declared_rules
from bench.model.loading import Vehicle, load_vehicle
from bench.model.problem import BadInput, nearest, unknown
from bench.scenario import Scenario

Progress = Callable[[int, int], None]
LIMIT_S = 60.0
"""Wall-clock seconds after which a case that gave no sign counts as hung."""


class Interrupted(KeyboardInterrupt):
    """The check was interrupted; ``report`` holds the cases that were done."""

    def __init__(self, report: CheckReport) -> None:
        self.report = report
        super().__init__(f"interrupted after {len(report.cases)} of {report.planned} cases")


def check(
    vehicle: Vehicle,
    *,
    only: Collection[str] | None = None,
    situations: Collection[str] | None = None,
    case: str | None = None,
    seed: int = 0,
    jobs: int | None = None,
    branch: bool = True,
    limit_s: float = LIMIT_S,
    store: CaseStore | None = None,
    progress: Progress | None = None,
) -> CheckReport:
    """Run every case of a vehicle and judge it.

    ``only`` names kinds of faults (``none``: without a fault), ``situations`` situations,
    ``case`` one case by its name. ``jobs`` is the number of processes (default: all cores);
    ``branch`` runs a beginning that cases share only once, where processes can fork. The result
    depends on neither. A case that gives no sign for ``limit_s`` seconds of real time counts as
    hung. Results go to ``store``; the cases that it holds already are not run again.
    ``progress(done, total)`` is called as cases end.

    Raises BadInput for names that do not exist, and Interrupted, with a report of what was done,
    on an interrupt from the keyboard.
    """
    choose = partial(_chosen, only=only, situations=situations, case=case)
    cases = choose(plan(vehicle, seed), vehicle)
    results = CaseStore() if store is None else store
    report = CheckReport(vehicle, seed, tuple(declared_rules(vehicle)), results, len(cases))
    left = list(islice(cases, len(results), None))
    again = partial(_again, vehicle.path, seed, choose, len(results))
    try:
        for result in run_cases(
            left, jobs or os.cpu_count() or 1, again, branch=branch, limit_s=limit_s
        ):
            results.append(result)
            if progress is not None:
                progress(len(results), len(cases))
    except KeyboardInterrupt:
        raise Interrupted(report) from None
    return report


def _again(
    path: Path, seed: int, choose: Callable[[list[Scenario], Vehicle], list[Scenario]], done: int
) -> Sequence[Scenario]:
    """The cases that are left, made anew from the vehicle's file."""
    vehicle = load_vehicle(path)
    return choose(plan(vehicle, seed), vehicle)[done:]


def _chosen(
    cases: list[Scenario],
    vehicle: Vehicle,
    *,
    only: Collection[str] | None,
    situations: Collection[str] | None,
    case: str | None,
) -> list[Scenario]:
    if case is not None:
        found = [scenario for scenario in cases if scenario.name == case]
        if not found:
            near = nearest(case, [scenario.name for scenario in cases])
            text = f"unknown case '{case}'; expected a name as a check reports it{near}"
            raise BadInput.one(vehicle.path, "--case", text)
        return found
    if only is not None:
        kinds = {scenario.kinds for scenario in cases}
        for name in only:
            if name not in kinds:
                raise BadInput.one(vehicle.path, "--only", unknown("fault", name, kinds))
        cases = [scenario for scenario in cases if scenario.kinds in only]
    if situations is not None:
        for name in situations:
            if name not in vehicle.situations:
                text = unknown("situation", name, vehicle.situations)
                raise BadInput.one(vehicle.path, "--situation", text)
        cases = [scenario for scenario in cases if scenario.situation in situations]
    return cases
