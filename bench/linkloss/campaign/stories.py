"""The shortest story for each finding of a check, and which findings have one cause.

One mistake in a node often breaks a dozen rules, so not every finding is shrunk. Of those that look
alike (same node to look at, same kinds of faults) one is shrunk; its story also stands for other
findings of that node whose rule breaks in it. Findings that no story covers go through the same
again. At the end, stories of the same faults at the same node have one cause.

Several findings are shrunk side by side, each run in a process of its own: a program that crashes
or hangs stops nothing else.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from linkloss.campaign.isolation import (
    HUNG,
    NotFinished,
    Stopped,
    can_branch,
    isolated,
    patience_s,
)
from linkloss.campaign.mechanism import suspect, vagueness
from linkloss.campaign.result import CaseResult, CheckReport, Finding
from linkloss.campaign.run import PROCESS, run_case
from linkloss.campaign.selection import case_named
from linkloss.campaign.shorter import as_unplugged
from linkloss.campaign.shrink import BUDGET, Enough, NotBroken, Place, Run, Shrunk, shrink
from linkloss.campaign.workers import forked
from linkloss.judge import Verdict
from linkloss.scenario import Scenario

LIMIT_S = 60.0
MOST_HUNG = 10
"""How many hung runs one shrinking waits for."""

CANNOT = "its program brings its process down, and no other process can be forked here"


@dataclass(frozen=True, slots=True)
class Job:
    """A scenario, the subject and the rule that it breaks, and the number of runs to spend."""

    scenario: Scenario
    subject: str
    rule: str
    budget: int

    def shrunk(self, run: Run) -> Shrunk | str:
        """The shortest scenario, or a sentence that says why there is none."""
        try:
            return shrink(self.scenario, self.subject, self.rule, run=run, budget=self.budget)
        except NotBroken:
            return "run again alone, its case does not break the rule: a program is not repeatable"
        except NotFinished as why:
            return str(why)


class Away:
    """Runs scenarios in other processes; after some that hung it runs no more."""

    def __init__(self, limit_s: float, stop: Callable[[], bool] = lambda: False) -> None:
        """``limit_s`` is the most that :func:`isolated` allows a run, in seconds. Once ``stop()``
        is true, a run raises Stopped.
        """
        self._limit_s = limit_s
        self._stop = stop
        self._hung = 0

    def __call__(self, scenario: Scenario) -> CaseResult:
        """The scenario's result. Raises Enough if too many runs have hung, and NotFinished."""
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


def shrunk_apart(
    jobs: Sequence[Job], processes: int | None = None, limit_s: float = LIMIT_S
) -> list[Shrunk | str]:
    """The result of each job, in order: the shortest scenario, or a sentence that says why there is
    none. ``processes`` work on them (default: one for each core); each run has a process of its
    own, and counts as hung after ``limit_s`` seconds as :func:`isolated` counts them.

    In a program with several threads, and where processes cannot fork, this process does the work,
    with the same results; a program that brings its process down is then not shrunk.
    """
    if not can_branch():
        return [CANNOT if job.subject == PROCESS else job.shrunk(run_case) for job in jobs]

    def work(number: int, stop: Callable[[], bool]) -> Shrunk | str:
        try:
            found = jobs[number].shrunk(Away(limit_s, stop))
        except Stopped:
            return "interrupted"
        return found if isinstance(found, str) else _on_vehicle(found, None)

    results = forked(processes or os.cpu_count() or 1, len(jobs), work)
    return [
        result if isinstance(result, str) else _on_vehicle(result, job.scenario.vehicle)
        for result, job in zip(results, jobs, strict=True)
    ]


def _on_vehicle(shrunk: Shrunk, vehicle: Any) -> Shrunk:
    """The same on another vehicle; None for the way between two processes, since programs loaded
    from a file cannot be passed between them.
    """
    return replace(shrunk, scenario=replace(shrunk.scenario, vehicle=vehicle))


MOST_STORIES = 24
"""The most stories. A car that breaks this many rules for different reasons is best fixed first."""


@dataclass(frozen=True, slots=True)
class Story:
    """A shrunk finding.

    ``name`` stands for it in files, ``case`` is the case that it was shrunk from. ``tells`` holds
    the (subject, rule) of every finding that breaks in it, the one it was shrunk for first. Stories
    with one cause have the same number ``cause``, counted from 1.
    """

    name: str
    case: str
    shrunk: Shrunk
    tells: tuple[Place, ...]
    cause: int


@dataclass(frozen=True, slots=True)
class Stories:
    """All stories of a check, in the order of its findings.

    ``untold`` says for each finding without a story why it has none. ``interrupted`` says that the
    search was ended from the keyboard.
    """

    told: tuple[Story, ...] = ()
    untold: Mapping[Place, str] = field(default_factory=dict)
    interrupted: bool = False

    def of(self, place: Place) -> Story | None:
        """The story that covers a finding; None if there is none."""
        return next((story for story in self.told if place in story.tells), None)

    def sharing(self, story: Story) -> int:
        """How many findings share the cause of a story, its own included."""
        return sum(len(other.tells) for other in self.told if other.cause == story.cause)

    @property
    def causes(self) -> int:
        """How many different causes there are."""
        return len({story.cause for story in self.told})


def find_stories(
    report: CheckReport,
    *,
    budget: int = BUDGET,
    most: int = MOST_STORIES,
    jobs: int | None = None,
    limit_s: float = LIMIT_S,
    progress: Callable[[int, int], None] | None = None,
) -> Stories:
    """Shrink the findings of a check, until there are ``most`` stories.

    Each story takes at most ``budget`` runs. ``jobs`` is the number of processes (default: all
    cores); the stories do not depend on it. ``limit_s`` is the processor time in seconds after
    which a run counts as hung, and the real time for which it may be blocked; ``progress(done,
    total)`` is called whenever findings are done. An interrupt from the keyboard ends the search;
    the stories found so far are returned.
    """
    teller = _StoryPicker(report, most)
    told = progress or (lambda *_: None)
    told(0, len(report.findings))
    try:
        while wave := teller.next_wave():
            shrunk = [teller.job(finding, budget) for finding in wave]
            teller.take(wave, shrunk_apart(shrunk, jobs, limit_s))
            told(teller.done, len(report.findings))
    except KeyboardInterrupt:
        return replace(teller.stories(), interrupted=True)
    return teller.stories()


def story_name(verdict: Verdict, kinds: str, taken: Collection[str]) -> str:
    """A name that is fit for a file and not yet taken: ``tail_left-stale-cut``."""
    words = [
        re.sub(r"[^A-Za-z0-9_]+", "_", word).strip("_")
        for word in (verdict.subject, verdict.rule, kinds)
    ]
    name, number = "-".join(words), 1
    while (name if number == 1 else f"{name}-{number}") in taken:
        number += 1
    return name if number == 1 else f"{name}-{number}"


class _StoryPicker:
    """Which finding to shrink next, and the stories made of the shrunk ones."""

    def __init__(self, report: CheckReport, most: int) -> None:
        self.report = report
        self.most = most
        by_telling = sorted(report.findings, key=lambda finding: vagueness(finding.verdict))
        self.left = {_place(finding): finding for finding in by_telling}
        self.untold: dict[Place, str] = {}
        self.found: list[tuple[Finding, Shrunk, list[Place]]] = []
        self.scenarios = {
            finding.case.name: case_named(report.vehicle, finding.case.name, report.seed)
            for finding in report.findings
        }

    @property
    def done(self) -> int:
        """How many findings need no further work."""
        return len(self.report.findings) - len(self.left)

    def next_wave(self) -> list[Finding]:
        """One of each sort of remaining findings, but no more than there may still be stories."""
        for place, finding in list(self.left.items()):
            if self.scenarios[finding.case.name] is None:
                self._give_up(place, "its case cannot be made again from its name")
            elif len(self.found) >= self.most:
                text = "there is one story" if self.most == 1 else f"there are {self.most} stories"
                self._give_up(place, f"{text} already")
        sorts: dict[tuple[str, str], Finding] = {}
        for finding in self.left.values():
            sorts.setdefault((self._suspect(finding.verdict), finding.case.fault), finding)
        return list(sorts.values())[: self.most - len(self.found)]

    def job(self, finding: Finding, budget: int) -> Job:
        """What to shrink for a finding."""
        scenario = self.scenarios[finding.case.name]
        assert scenario is not None, "those without one were given up"
        return Job(scenario, *_place(finding), budget)

    def take(self, wave: Sequence[Finding], shrunk: Iterable[Shrunk | str]) -> None:
        """Take in the results of a wave; a text says why something could not be shrunk."""
        for finding, result in zip(wave, shrunk, strict=True):
            if _place(finding) not in self.left:
                continue  # the story of an earlier one covers it too
            if isinstance(result, str):
                self._give_up(_place(finding), result)
            else:
                self._add_story(finding, result)

    def _add_story(self, finding: Finding, shrunk: Shrunk) -> None:
        node = self._suspect(shrunk.verdict)
        own = _place(finding)
        others = [
            place
            for place, other in self.left.items()
            if place != own and place in shrunk.shows and self._suspect(other.verdict) == node
        ]
        for place in (own, *others):
            del self.left[place]
        self.found.append((finding, shrunk, [own, *others]))

    def _give_up(self, place: Place, why: str) -> None:
        self.untold[place] = why
        del self.left[place]

    def _suspect(self, verdict: Verdict) -> str:
        return suspect(self.report.vehicle, verdict)

    def stories(self) -> Stories:
        """The stories so far, in the order of the findings that they were shrunk for."""
        order = [_place(finding) for finding in self.report.findings]
        causes: dict[tuple[tuple[str, ...], str], int] = {}
        told: list[Story] = []
        taken: set[str] = set()
        for finding, shrunk, tells in sorted(
            self.found, key=lambda found: order.index(_place(found[0]))
        ):
            name = story_name(shrunk.verdict, shrunk.scenario.kinds, taken)
            taken.add(name)
            cause = causes.setdefault(self._cause(shrunk), len(causes) + 1)
            told.append(Story(name, finding.case.name, shrunk, tuple(tells), cause))
        return Stories(tuple(told), self.untold)

    def _cause(self, shrunk: Shrunk) -> tuple[tuple[str, ...], str]:
        vehicle, faults = self.report.vehicle, shrunk.scenario.faults
        labels = sorted(as_unplugged(timed.fault, vehicle).label() for timed in faults)
        return tuple(labels), self._suspect(shrunk.verdict)


def _place(finding: Finding) -> Place:
    return finding.verdict.subject, finding.verdict.rule
