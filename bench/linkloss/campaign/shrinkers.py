"""Several findings shrunk side by side, each run in a process of its own: a program that crashes
or hangs brings nobody else down.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

from linkloss.campaign.apart import can_branch
from linkloss.campaign.isolation import HUNG, Stopped, isolated
from linkloss.campaign.result import CaseResult
from linkloss.campaign.run import PROCESS, run_case
from linkloss.campaign.run_apart import patience_s
from linkloss.campaign.shrink import Shrunk, shrink
from linkloss.campaign.trial import Enough, NotBroken, Run
from linkloss.scenario import Scenario

LIMIT_S = 60.0
MOST_HUNG = 10
"""So many hung runs are waited for in one shrinking."""

CANNOT = "its program brings its process down, and no other process can be forked here"


@dataclass(frozen=True, slots=True)
class Job:
    """A scenario, the subject and the rule that it breaks, and how many runs there are."""

    scenario: Scenario
    subject: str
    rule: str
    budget: int

    def shrunk(self, run: Run) -> Shrunk | str:
        """The shortest scenario, or in words why there is none."""
        try:
            return shrink(self.scenario, self.subject, self.rule, run=run, budget=self.budget)
        except NotBroken:
            return "run again alone, its case does not break the rule: a program is not repeatable"


class Away:
    """Runs scenarios away from this process; after some that hung it runs no more."""

    def __init__(self, limit_s: float, stop: Callable[[], bool] = lambda: False) -> None:
        """``limit_s`` is the longest real time of a run in seconds. Once ``stop()`` is true a run
        raises Stopped.
        """
        self._limit_s = limit_s
        self._stop = stop
        self._hung = 0

    def __call__(self, scenario: Scenario) -> CaseResult:
        """The scenario's result; Enough when too many have hung."""
        if self._stop():
            raise Stopped
        if self._hung >= MOST_HUNG:
            raise Enough
        limit_s = min(self._limit_s, patience_s(scenario))
        (result,) = isolated([scenario], branch=False, limit_s=limit_s)
        self._hung += any(
            verdict.subject == PROCESS and verdict.text.startswith(HUNG)
            for verdict in result.verdicts
        )
        return result


class Shrinkers:
    """Processes that shrink. From a program with several threads, and where processes cannot
    fork, it is done in this process, to the same results; what brings its process down is then
    not shrunk.
    """

    def __init__(self, jobs: int | None = None, *, limit_s: float = LIMIT_S) -> None:
        """``jobs`` processes, by default one for each core; ``limit_s`` as :class:`Away` has it."""
        self._jobs = jobs or os.cpu_count() or 1
        self._limit_s = limit_s

    def shrunk(self, jobs: Sequence[Job]) -> list[Shrunk | str]:
        """What became of each job, in their order."""
        if not can_branch():
            return [CANNOT if job.subject == PROCESS else job.shrunk(run_case) for job in jobs]
        stop = multiprocessing.Event()
        _Worker.jobs, _Worker.limit_s, _Worker.stop = jobs, self._limit_s, stop.is_set
        pool = ProcessPoolExecutor(
            min(self._jobs, len(jobs)),
            mp_context=multiprocessing.get_context("fork"),
            initializer=_Worker.begin,
        )
        try:
            found = list(pool.map(_Worker.work, range(len(jobs))))
        except BaseException:
            stop.set()  # interrupted, or nobody wants the rest
            raise
        finally:
            pool.shutdown(cancel_futures=True)
        return [_with_vehicle(result, job) for result, job in zip(found, jobs, strict=True)]


class _Worker:
    """A process of the pool; it was forked from the one that knows the jobs."""

    jobs: Sequence[Job] = ()
    limit_s = LIMIT_S
    stop: Callable[[], bool] = bool

    @classmethod
    def begin(cls) -> None:
        """An interrupt is the business of the one who wants the results."""
        signal.signal(signal.SIGINT, signal.SIG_IGN)

    @classmethod
    def work(cls, number: int) -> Shrunk | str:
        """Shrink one of the jobs."""
        try:
            found = cls.jobs[number].shrunk(Away(cls.limit_s, cls.stop))
        except Stopped:
            return "interrupted"
        return found if isinstance(found, str) else _on_vehicle(found, None)


def _on_vehicle(shrunk: Shrunk, vehicle: Any) -> Shrunk:
    """The same on another vehicle; None for the way between two processes, which programs that
    were loaded from a file cannot go.
    """
    return replace(shrunk, scenario=replace(shrunk.scenario, vehicle=vehicle))


def _with_vehicle(result: Shrunk | str, job: Job) -> Shrunk | str:
    return result if isinstance(result, str) else _on_vehicle(result, job.scenario.vehicle)
