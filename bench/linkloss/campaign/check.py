"""The whole check of a vehicle: plan the cases, run them, keep the results.

:func:`check` takes its cases all at once from a plan, or batch by batch from a hunt
(:class:`Hunted`).

:func:`again` runs cases again for a closer look than their results allow, such as what happened
when. Where processes can fork, each case runs in its own, so that one that crashes or hangs costs
its own picture and nothing else.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Generic, NamedTuple, TypeVar

from linkloss.campaign.cases import instances, without_fault
from linkloss.campaign.depth import Depth, left_unjudged
from linkloss.campaign.hunt import Hunt
from linkloss.campaign.isolation import Child, NoAnswer, NotFinished, can_branch
from linkloss.campaign.reach import reached
from linkloss.campaign.result import CaseResult, CheckReport, RunResult
from linkloss.campaign.run import run
from linkloss.campaign.selection import (
    CheckRequest,
    content,
    ensure_something_there,
    situations_named,
)
from linkloss.campaign.store import CaseStore
from linkloss.campaign.workers import Cluster, Tell, Workers, tell_nobody
from linkloss.clock.wallclock import monotonic_seconds
from linkloss.judge import declared_rules
from linkloss.problem import BadInput, unknown
from linkloss.scenario import Scenario
from linkloss.session import ready
from linkloss.vehicle.loading import Vehicle


class Hunted:
    """The batches of a hunt, up to a number of cases or for some time.

    What was learned counts from the next batch on, and the time is checked between batches only: a
    shorter hunt has the same results as the first batches of a longer one.
    """

    def __init__(
        self,
        hunt: Hunt,
        most_cases: int | None,
        for_s: float | None,
        first: Sequence[Scenario] = (),
    ) -> None:
        """``for_s`` counts from the first batch on, in seconds of real time. The cases ``first``
        run before any are drawn.
        """
        self.total: int | None = most_cases
        self._hunt = hunt
        self._for_s = for_s
        self._begun_s: float | None = None
        self._drawn = 0
        self._first: Sequence[Scenario] = first
        self.clock: Callable[[], float] = monotonic_seconds

    def next_batch(self) -> Sequence[Scenario]:
        """The next cases, guided by what was learned."""
        now_s = self.clock()
        self._begun_s = now_s if self._begun_s is None else self._begun_s
        left = None if self.total is None else self.total - self._drawn
        if left == 0 or (self._for_s is not None and now_s - self._begun_s >= self._for_s):
            return ()
        batch, self._first = self._first or self._hunt.next_batch(), ()
        batch = batch[:left]
        self._drawn += len(batch)
        return batch

    def learn(self, results: Sequence[CaseResult]) -> None:
        """Compare what the drawn cases reached with what earlier ones reached. Nothing is learned
        from a batch that was cut short: it was the last one.
        """
        found = [reached(case.points, case.verdicts) for case in results]
        if not self._hunt.drawn:
            for one in found:
                self._hunt.coverage.add(one)
        elif len(found) == self._hunt.drawn:
            self._hunt.learn(found)


Progress = Callable[[int, int | None], None]


LIMIT_S = 60.0
"""Seconds of processor time after which a case counts as hung, and of real time for which it may be
blocked."""
_CLOCKED: tuple[Depth, ...] = ("quick", "full")
"""The depths in which the nodes' clocks roll over."""


class Interrupted(KeyboardInterrupt):
    """The check ended early; ``report`` holds the cases that were done, ``why`` says what ended it
    if that was not the keyboard.
    """

    def __init__(self, report: CheckReport, why: str = "") -> None:
        self.report = report
        of = "" if report.planned is None else f" of {report.planned}"
        text = f"interrupted after {len(report.cases)}{of} cases"
        super().__init__(f"{text}; the next case is {why}" if why else text)


def check(
    vehicle: Vehicle,
    *,
    depth: Depth = "full",
    only: Collection[str] | None = None,
    situations: Collection[str] | None = None,
    case: str | Sequence[str] | None = None,
    seed: int = 0,
    cases: int | None = None,
    for_s: float | None = None,
    first: bool = False,
    again: Sequence[str] = (),
    near: Sequence[str] = (),
    jobs: int | None = None,
    branch: bool = True,
    limit_s: float = LIMIT_S,
    store: CaseStore | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
    tell: Callable[[CaseResult], object] | None = None,
    drive: Path | None = None,
    logged: Collection[str] | None = None,
) -> CheckReport:
    """Run every case of a vehicle and judge it.

    ``depth`` says how thoroughly: a ``quick`` selection, every fault alone (``full``), two faults
    at a time (``pairs``), or a random search (``hunt``) that ends after ``cases`` cases, or with
    the first batch that ends after ``for_s`` seconds of real time. ``only`` names kinds of
    faults (``none``: without a fault), ``situations`` situations, ``case`` one case by its name, or
    several that run in their order. The cases named in ``again`` run before all others, those
    of the nodes ``near`` before those of other nodes. With ``first`` the check ends with the first
    case that breaks a rule.
    ``jobs`` is the number of processes (default: all cores); ``branch`` runs a beginning that
    cases share only once, where processes can fork. The result depends on neither. A case that
    computes for ``limit_s`` seconds, or is blocked for as long, counts as hung. ``cluster`` is the
    address of a Dask scheduler (``HOST:PORT``) whose workers run the cases instead. Results go to
    ``store``; cases that it already holds are not run again. ``progress(done, total)`` is called
    whenever a case ends; ``total`` is None while it is unknown. ``tell(result)`` is called with
    each new result as it comes. ``drive`` is a log whose windows then are the situations (depths
    quick and full); the frames of the nodes ``logged`` (default: those that drive no load) come
    from it.

    Raises BadInput for names that do not exist, for a hunt without an end, and where nothing can be
    put to the test without a log. Raises Interrupted, with a report of the cases that were done, on
    an interrupt from the keyboard, and where this machine has no processor time for a case.
    """
    order, hunted, chosen = ordered(
        vehicle,
        depth=depth,
        only=only,
        situations=situations,
        case=case,
        seed=seed,
        cases=cases,
        for_s=for_s,
        drive=drive,
        logged=logged,
    )
    order = replace(order, again=tuple(again), near=tuple(near))
    total = len(chosen) if hunted is None else hunted.total
    results = CaseStore() if store is None else store
    planned = order.planned(vehicle) if case is None else None
    space = None if planned is None else planned.space
    apart = order.not_judged(vehicle)
    declared = tuple(declared_rules(vehicle, apart))
    clocked = depth in _CLOCKED and not (only or situations or drive)
    unjudged = left_unjudged(vehicle, apart, planned.cases if planned and clocked else None)
    report = CheckReport(
        vehicle, seed, declared, results, total, space, drive, order.logged, unjudged
    )
    workers = (
        Workers(jobs or os.cpu_count() or 1, branch=branch, limit_s=limit_s)
        if cluster is None
        else Cluster(cluster)
    )
    try:
        with closing(workers):
            told = tell or tell_nobody
            if hunted is None:
                places = order.turns(chosen)
                results.arrange(places)
                cases_in_turn = [chosen[place] for place in places]
                new = workers.run(order, cases_in_turn, len(results), told)
                deque(_appended(new, results, total, progress, first=first), maxlen=0)
            else:
                _run_hunt(workers, order, hunted, results, told, progress, first=first)
    except KeyboardInterrupt:
        raise Interrupted(report) from None
    except NotFinished as why:
        raise Interrupted(report, str(why)) from None
    return report


def ordered(
    vehicle: Vehicle,
    *,
    depth: Depth,
    only: Collection[str] | None,
    situations: Collection[str] | None,
    case: str | Sequence[str] | None,
    seed: int,
    cases: int | None,
    for_s: float | None,
    drive: Path | None,
    logged: Collection[str] | None,
) -> tuple[CheckRequest, Hunted | None, list[Scenario]]:
    """What a check of a vehicle runs, once its programs are compiled: the order for it, and a hunt
    or the cases. Raises BadInput as :func:`check` does.
    """
    if drive is None:
        ensure_something_there(vehicle)
    ready(vehicle)
    order = CheckRequest(
        vehicle.path,
        seed,
        depth,
        _words(only),
        _words(situations),
        (case,) if isinstance(case, str) else _words(case),
        content(vehicle),
        drive,
        _words(logged),
        vehicle.build,
    )
    hunted = _hunted(vehicle, order, cases, for_s)
    return order, hunted, order.cases(vehicle) if hunted is None else []


def _hunted(
    vehicle: Vehicle, order: CheckRequest, cases: int | None, for_s: float | None
) -> Hunted | None:
    """The requested hunt; None where cases are known or none can be drawn."""
    if order.depth != "hunt" or order.names is not None or order.drive is not None:
        return None
    if cases is None and for_s is None:
        text = "a hunt has no end of its own; expected '--for DURATION' or '--cases NUMBER'"
        raise BadInput.one("linkloss", "--depth hunt", text)
    among = situations_named(vehicle, order.situations)
    kinds = {fault.kind for fault in instances(vehicle)}
    for name in order.only or ():
        if name not in kinds:
            raise BadInput.one(vehicle.path, "--only", unknown("fault", name, kinds))
    if not kinds or not among:
        return None
    hunt = Hunt(vehicle, order.seed, kinds=order.only, situations=among)
    return Hunted(hunt, cases, for_s, first=without_fault(vehicle, order.seed, among))


def _run_hunt(
    workers: Workers | Cluster,
    order: CheckRequest,
    hunted: Hunted,
    results: CaseStore,
    tell: Tell,
    progress: Progress | None,
    *,
    first: bool,
) -> None:
    """Run batch by batch; results that are already there are learned from, not run again."""
    earlier = iter(list(results))
    while batch := hunted.next_batch():
        found = list(islice(earlier, len(batch)))
        named = replace(order, names=tuple(case.name for case in batch))
        new = workers.run(named, batch, len(found), tell)
        hunted.learn([*found, *_appended(new, results, hunted.total, progress, first=first)])
        if first and any(result.is_broken for result in results):
            return


def _appended(
    new: Generator[CaseResult, None, None],
    results: CaseStore,
    total: int | None,
    progress: Progress | None,
    *,
    first: bool,
) -> Iterator[CaseResult]:
    """Append new results as they come, with ``first`` up to one that is broken."""
    with closing(new):  # an interrupt, and an end before the last one, also end the workers
        if first and any(result.is_broken for result in results):
            return
        for result in new:
            results.append(result)
            if progress is not None:
                progress(len(results), total)
            yield result
            if first and result.is_broken:
                return


def _words(names: Collection[str] | None) -> tuple[str, ...] | None:
    return None if names is None else tuple(names)


T = TypeVar("T")
RERUN_LIMIT_S = 30.0
"""The limit of a case that runs again, in seconds, as that of :meth:`Child.answer`."""


class Wanted(NamedTuple, Generic[T]):
    """A case, and what to find out from its run."""

    case: Scenario
    work: Callable[[RunResult], T]


class Failed(NamedTuple):
    """Why there is nothing to show for a case."""

    why: str


def cases_named(
    vehicle: Vehicle,
    seed: int,
    names: Iterable[str],
    drive: Path | None = None,
    logged: tuple[str, ...] | None = None,
) -> Mapping[str, Scenario]:
    """The cases with these names, without those that do not fit the vehicle. ``drive`` is the log
    whose windows are the situations, if any; ``logged`` are the nodes whose frames come from it.
    """
    order = CheckRequest(vehicle.path, seed, drive=drive, logged=logged)
    found = {name: order.named(vehicle, name) for name in names}
    return {name: case for name, case in found.items() if case is not None}


def looked(wanted: Mapping[str, Wanted[T]], *, jobs: int | None = None) -> dict[str, T | Failed]:
    """Run cases again as :func:`again` does; the answers by case name."""
    answers = again(tuple(wanted.values()), jobs=jobs)
    return dict(zip(wanted, answers, strict=True))


def again(
    wanted: Sequence[Wanted[T]], *, jobs: int | None = None, limit_s: float = RERUN_LIMIT_S
) -> Iterator[T | Failed]:
    """Run cases again, ``jobs`` at a time (default: all cores); the answers in their order.

    Where processes cannot fork, or this one has several threads, the cases run one after the other
    in this process.
    """
    if not can_branch():
        yield from map(_worked, wanted)
        return
    most = max(1, jobs or os.cpu_count() or 1)
    begun: list[Child[T]] = []
    try:
        for index in range(len(wanted)):
            while len(begun) < min(len(wanted), index + most):
                begun.append(Child(partial(_worked, wanted[len(begun)])))
            try:
                yield begun[index].answer(limit_s)
            except (NoAnswer, NotFinished) as why:
                yield Failed(str(why))
    finally:
        for child in begun:
            child.end()


def _worked(entry: Wanted[T]) -> T:
    return entry.work(run(entry.case))
