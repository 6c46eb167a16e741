"""The whole check of a vehicle: plan the cases, run them on all cores, keep their order."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from bench.campaign.plan import plan
from bench.campaign.result import CaseResult, CheckReport
from bench.campaign.run import run_case
from bench.judge import declared_rules
from bench.model.loading import Vehicle, load_vehicle
from bench.model.problem import BadInput, nearest, unknown
from bench.scenario import Scenario

Progress = Callable[[int, int], None]
CHUNK = 16
"""Cases that a worker takes at once: large enough to hide the cost of handing them over."""


def check(
    vehicle: Vehicle,
    *,
    only: Collection[str] | None = None,
    situations: Collection[str] | None = None,
    case: str | None = None,
    seed: int = 0,
    jobs: int | None = None,
    progress: Progress | None = None,
) -> CheckReport:
    """Run every case of a vehicle and judge it.

    ``only`` names kinds of faults (``none``: without a fault), ``situations`` situations,
    ``case`` one case by its name. ``jobs`` is the number of processes (default: all cores); the
    result does not depend on it. ``progress(done, total)`` is called as cases end. Raises
    BadInput for names that do not exist.
    """
    cases = _chosen(plan(vehicle, seed), vehicle, only, situations, case)
    results: list[CaseResult] = []
    for result in _run_all(vehicle, cases, seed, jobs or os.cpu_count() or 1):
        results.append(result)
        if progress is not None:
            progress(len(results), len(cases))
    return CheckReport(vehicle, seed, tuple(declared_rules(vehicle)), tuple(results))


def _chosen(
    cases: list[Scenario],
    vehicle: Vehicle,
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


def _run_all(
    vehicle: Vehicle, cases: Sequence[Scenario], seed: int, jobs: int
) -> Iterator[CaseResult]:
    """The results in the order of the cases, however many processes work on them."""
    jobs = min(jobs, (len(cases) + CHUNK - 1) // CHUNK)
    if jobs <= 1:
        yield from map(run_case, cases)
        return
    forks = "fork" in multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("fork" if forks else "spawn")
    start = (cases, None, seed) if forks else (None, (vehicle.path, _names(cases)), seed)
    with ProcessPoolExecutor(
        jobs, mp_context=context, initializer=_Worker.begin, initargs=start
    ) as pool:
        yield from pool.map(_Worker.work, range(len(cases)), chunksize=CHUNK)


def _names(cases: Sequence[Scenario]) -> list[str]:
    return [scenario.name for scenario in cases]


class _Worker:
    """A process of the pool. Where it was forked it has the cases already; elsewhere it plans
    them anew from the vehicle's file.
    """

    cases: Sequence[Scenario] = ()

    @classmethod
    def begin(
        cls,
        cases: Sequence[Scenario] | None,
        source: tuple[Path, list[str]] | None,
        seed: int,
    ) -> None:
        if cases is None:
            assert source is not None
            path, names = source
            planned = {scenario.name: scenario for scenario in plan(load_vehicle(path), seed)}
            cases = [planned[name] for name in names]
        cls.cases = cases

    @classmethod
    def work(cls, index: int) -> CaseResult:
        return run_case(cls.cases[index])
