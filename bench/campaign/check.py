"""The whole check of a vehicle: plan the cases, run them, keep what they amount to."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection

from bench.campaign.cluster import run_on_cluster
from bench.campaign.depth import Depth, planned
from bench.campaign.order import Order
from bench.campaign.result import CheckReport
from bench.campaign.store import CaseStore
from bench.campaign.workers import Crew
from bench.firmware.build import BuildOptions
from bench.judge import declared_rules
from bench.model.loading import Vehicle

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
    depth: Depth = "full",
    only: Collection[str] | None = None,
    situations: Collection[str] | None = None,
    case: str | None = None,
    seed: int = 0,
    jobs: int | None = None,
    branch: bool = True,
    limit_s: float = LIMIT_S,
    store: CaseStore | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
    build: BuildOptions | None = None,
) -> CheckReport:
    """Run every case of a vehicle and judge it.

    ``depth`` says how thoroughly: a ``quick`` selection, every fault alone (``full``), or two
    faults at a time (``pairs``). ``only`` names kinds of faults (``none``: without a fault),
    ``situations`` situations, ``case`` one case by its name. ``jobs`` is the number of processes
    (default: all cores); ``branch`` runs a beginning that cases share only once, where processes
    can fork. The result depends on neither. A case that gives no sign for ``limit_s`` seconds of
    real time counts as hung. ``cluster`` is the address of a Dask scheduler (``HOST:PORT``) whose
    workers run the cases instead. Results go to ``store``; the cases that it holds already are
    not run again. ``build`` is how the vehicle's programs in C were built.
    ``progress(done, total)`` is called as cases end.

    Raises BadInput for names that do not exist, and Interrupted, with a report of what was done,
    on an interrupt from the keyboard.
    """
    order = Order(vehicle.path, seed, depth, _words(only), _words(situations), case, build)
    cases = order.cases(vehicle)
    results = CaseStore() if store is None else store
    space = planned(vehicle, depth, seed).space if case is None else None
    declared = tuple(declared_rules(vehicle))
    report = CheckReport(vehicle, seed, declared, results, len(cases), space)
    crew = Crew(jobs or os.cpu_count() or 1, branch=branch, limit_s=limit_s)
    done = len(results)
    try:
        found = (
            crew.run(order, cases, done)
            if cluster is None
            else run_on_cluster(cluster, order, cases, done)
        )
        for result in found:
            results.append(result)
            if progress is not None:
                progress(len(results), len(cases))
    except KeyboardInterrupt:
        raise Interrupted(report) from None
    return report


def _words(names: Collection[str] | None) -> tuple[str, ...] | None:
    return None if names is None else tuple(names)
