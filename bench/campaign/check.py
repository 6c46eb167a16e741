"""The whole check of a vehicle: plan the cases, run them on all cores, keep their order."""

from __future__ import annotations

import multiprocessing.context
import os
import signal
import threading
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

from bench.campaign.isolation import CAN_FORK, isolated
from bench.campaign.plan import plan
from bench.campaign.result import CaseResult, CheckReport
from bench.campaign.run import run_case
from bench.campaign.store import CaseStore
from bench.judge import declared_rules
from bench.model.loading import Vehicle, load_vehicle
from bench.model.problem import BadInput, nearest, unknown
from bench.scenario import Scenario

Progress = Callable[[int, int], None]
CHUNK = 24
"""Cases that a worker takes at once; those of one situation share their beginning."""
LIMIT_S = 60.0
"""Wall-clock seconds after which a case that gave no sign counts as hung."""


def check(
    vehicle: Vehicle,
    *,
    only: Collection[str] | None = None,
    situations: Collection[str] | None = None,
    case: str | None = None,
    seed: int = 0,
    jobs: int | None = None,
    branch: bool = True,
    progress: Progress | None = None,
) -> CheckReport:
    """Run every case of a vehicle and judge it.

    ``only`` names kinds of faults (``none``: without a fault), ``situations`` situations,
    ``case`` one case by its name. ``jobs`` is the number of processes (default: all cores);
    ``branch`` runs a beginning that cases share only once, where processes can fork. The result
    depends on neither. ``progress(done, total)`` is called as cases end. Raises BadInput for
    names that do not exist.
    """
    cases = _chosen(plan(vehicle, seed), vehicle, only, situations, case)
    results = CaseStore()
    for result in run_cases(vehicle, cases, jobs or os.cpu_count() or 1, branch=branch):
        results.append(result)
        if progress is not None:
            progress(len(results), len(cases))
    return CheckReport(vehicle, seed, tuple(declared_rules(vehicle)), results)


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


def run_cases(
    vehicle: Vehicle, cases: Sequence[Scenario], jobs: int, *, branch: bool = True
) -> Iterator[CaseResult]:
    """The results in the order of the cases, however many processes work on them.

    Where processes can fork, each case has one of its own and the workers inherit the cases; from
    a program with several threads that is not safe, and elsewhere it does not exist: there the
    workers plan the cases anew and run them one after the other.
    """
    chunks = list(_chunks(cases))
    context: multiprocessing.context.BaseContext
    if CAN_FORK and threading.active_count() == 1:
        _Worker.cases = cases
        work: Callable[[range], list[CaseResult]] = partial(_Worker.isolated, branch=branch)
        context = multiprocessing.get_context("fork")
        start: tuple[Path, list[str], int] | None = None
    elif len(chunks) <= 1 or jobs <= 1:
        yield from map(run_case, cases)
        return
    else:
        work = _Worker.plain
        context = multiprocessing.get_context("spawn")
        start = (vehicle.path, [scenario.name for scenario in cases], cases[0].seed)
    pool = ProcessPoolExecutor(
        min(jobs, len(chunks)), mp_context=context, initializer=_Worker.begin, initargs=(start,)
    )
    try:
        for results in pool.map(work, chunks):
            yield from results
    except BaseException:
        # Interrupted, or nobody wants the rest: do not wait for what is still at work.
        pool.shutdown(wait=False, cancel_futures=True)
        for process in multiprocessing.active_children():
            process.terminate()
        raise
    pool.shutdown()


def _chunks(cases: Sequence[Scenario]) -> Iterator[range]:
    """The cases in pieces for the workers; all cases of a piece are of one situation."""
    start = 0
    for index in range(1, len(cases) + 1):
        ended = index == len(cases) or cases[index].situation != cases[start].situation
        if ended or index - start == CHUNK:
            yield range(start, index)
            start = index


class _Worker:
    """A process of the pool."""

    cases: Sequence[Scenario] = ()

    @classmethod
    def begin(cls, source: tuple[Path, list[str], int] | None) -> None:
        """A worker that was not forked from the planner plans the cases itself. An interrupt is
        the planner's business.
        """
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        if source is not None:
            path, names, seed = source
            planned = {scenario.name: scenario for scenario in plan(load_vehicle(path), seed)}
            cls.cases = [planned[name] for name in names]

    @classmethod
    def isolated(cls, chunk: range, *, branch: bool) -> list[CaseResult]:
        """Run a piece, each case in a process of its own."""
        return isolated([cls.cases[index] for index in chunk], branch=branch, limit_s=LIMIT_S)

    @classmethod
    def plain(cls, chunk: range) -> list[CaseResult]:
        """Run a piece in this process."""
        return [run_case(cls.cases[index]) for index in chunk]
