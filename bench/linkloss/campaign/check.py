"""The whole check of a vehicle: plan the cases, run them, keep what they amount to."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection
from contextlib import closing
from dataclasses import replace
from itertools import islice
from pathlib import Path

from linkloss.campaign.batches import Batches, Hunted, Planned
from linkloss.campaign.cases import instances, without_fault
from linkloss.campaign.cluster import Cluster
from linkloss.campaign.depth import Depth
from linkloss.campaign.hunt import Hunt
from linkloss.campaign.order import Order, content, situations_named
from linkloss.campaign.result import CheckReport
from linkloss.campaign.store import CaseStore
from linkloss.campaign.untried import left_unjudged
from linkloss.campaign.workers import Crew, Runner
from linkloss.judge import declared_rules
from linkloss.model.loading import Vehicle
from linkloss.model.problem import BadInput, unknown

Progress = Callable[[int, int | None], None]
LIMIT_S = 60.0
"""Wall-clock seconds after which a case that gave no sign counts as hung."""
_CLOCKED: tuple[Depth, ...] = ("quick", "full")
"""In these depths the nodes' clocks roll over."""


class Interrupted(KeyboardInterrupt):
    """The check was interrupted; ``report`` holds the cases that were done."""

    def __init__(self, report: CheckReport) -> None:
        self.report = report
        of = "" if report.planned is None else f" of {report.planned}"
        super().__init__(f"interrupted after {len(report.cases)}{of} cases")


def check(
    vehicle: Vehicle,
    *,
    depth: Depth = "full",
    only: Collection[str] | None = None,
    situations: Collection[str] | None = None,
    case: str | None = None,
    seed: int = 0,
    cases: int | None = None,
    for_s: float | None = None,
    jobs: int | None = None,
    branch: bool = True,
    limit_s: float = LIMIT_S,
    store: CaseStore | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
    drive: Path | None = None,
    logged: Collection[str] | None = None,
) -> CheckReport:
    """Run every case of a vehicle and judge it.

    ``depth`` says how thoroughly: a ``quick`` selection, every fault alone (``full``), two faults
    at a time (``pairs``), or a search at random (``hunt``) that ends after ``cases`` cases or,
    with the batch begun then, after ``for_s`` seconds of real time. ``only`` names kinds of
    faults (``none``: without a fault), ``situations`` situations, ``case`` one case by its name.
    ``jobs`` is the number of processes (default: all cores); ``branch`` runs a beginning that
    cases share only once, where processes can fork. The result depends on neither. A case that
    gives no sign for ``limit_s`` seconds of real time counts as hung. ``cluster`` is the address
    of a Dask scheduler (``HOST:PORT``) whose workers run the cases instead. Results go to
    ``store``; the cases that it holds already are not run again. ``progress(done, total)`` is
    called as cases end; ``total`` is None while nobody knows. ``drive`` is a log: its windows are
    the situations then (depths quick and full), and the frames of the nodes ``logged`` (default:
    those that drive no load) come out of it.

    Raises BadInput for names that do not exist and for a hunt without an end, and Interrupted,
    with a report of what was done, on an interrupt from the keyboard.
    """
    order = Order(
        vehicle.path,
        seed,
        depth,
        _words(only),
        _words(situations),
        None if case is None else (case,),
        content(vehicle),
        drive,
        _words(logged),
        vehicle.build,
    )
    batches = _batches(vehicle, order, cases, for_s)
    results = CaseStore() if store is None else store
    planned = order.planned(vehicle) if case is None else None
    space = None if planned is None else planned.space
    apart = order.not_judged(vehicle)
    declared = tuple(declared_rules(vehicle, apart))
    clocked = depth in _CLOCKED and not (only or situations or drive)
    unjudged = left_unjudged(vehicle, apart, planned.cases if planned and clocked else None)
    report = CheckReport(
        vehicle, seed, declared, results, batches.total, space, drive, order.logged, unjudged
    )
    crew: Runner = (
        Crew(jobs or os.cpu_count() or 1, branch=branch, limit_s=limit_s)
        if cluster is None
        else Cluster(cluster)
    )
    try:
        with closing(crew):
            _run(crew, order, batches, results, progress)
    except KeyboardInterrupt:
        raise Interrupted(report) from None
    return report


def _batches(vehicle: Vehicle, order: Order, cases: int | None, for_s: float | None) -> Batches:
    if order.depth != "hunt" or order.names is not None or order.drive is not None:
        return Planned(order.cases(vehicle))
    if cases is None and for_s is None:
        text = "a hunt has no end of its own; expected '--for DURATION' or '--cases NUMBER'"
        raise BadInput.one("linkloss", "--depth hunt", text)
    among = situations_named(vehicle, order.situations)
    kinds = {fault.kind for fault in instances(vehicle)}
    for name in order.only or ():
        if name not in kinds:
            raise BadInput.one(vehicle.path, "--only", unknown("fault", name, kinds))
    if not kinds or not among:
        return Planned([])
    hunt = Hunt(vehicle, order.seed, kinds=order.only, situations=among)
    return Hunted(hunt, cases, for_s, first=without_fault(vehicle, order.seed, among))


def _run(
    crew: Runner, order: Order, batches: Batches, results: CaseStore, progress: Progress | None
) -> None:
    """Batch by batch; what ``results`` holds already is learned from, but not run again."""
    known, place = len(results), 0
    earlier = iter(list(results)) if batches.learns else iter(())
    while batch := batches.next_batch():
        done = min(len(batch), max(0, known - place))
        found = list(islice(earlier, done))
        named = replace(order, names=tuple(case.name for case in batch))
        for result in crew.run(named if batches.learns else order, batch, done):
            results.append(result)
            if batches.learns:
                found.append(result)
            if progress is not None:
                progress(len(results), batches.total)
        batches.learn(found)
        place += len(batch)


def _words(names: Collection[str] | None) -> tuple[str, ...] | None:
    return None if names is None else tuple(names)
