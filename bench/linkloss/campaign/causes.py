"""The causes of what a check broke: findings that one mistake explains are one cause.

    findings --> as shrunk, or of one node under one kind of fault --> one diagnosis each
             --> those with the same mechanism at the same node are one cause

Each diagnosis runs in a process of its own, several side by side.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from linkloss.campaign.check import cases_named
from linkloss.campaign.diagnosis import diagnose
from linkloss.campaign.isolation import Child, NoAnswer, NotFinished, can_branch
from linkloss.campaign.mechanism import Diagnosis, Mechanism, suspect, vagueness
from linkloss.campaign.result import CheckReport, Finding, RunResult
from linkloss.campaign.run import PROCESS
from linkloss.campaign.shrink import Place
from linkloss.campaign.stories import LIMIT_S, Stories, Story
from linkloss.campaign.workers import forked
from linkloss.judge import Verdict
from linkloss.judge.verdict import Cause
from linkloss.scenario import Scenario


class BrokenBy(NamedTuple):
    """What one cause broke: its findings, the one that tells it best first, and the node to look
    at; "" if none is known. ``story`` is the shortest one, if it was looked for, and ``diagnosis``
    the mechanism, if that was.
    """

    findings: tuple[Finding, ...]
    node: str
    story: Story | None
    diagnosis: Diagnosis | None = None


def place_of(finding: Finding) -> Place:
    """The subject and rule of a finding."""
    return finding.verdict.subject, finding.verdict.rule


def grouped(
    report: CheckReport, stories: Stories, diagnoses: Mapping[Place, Diagnosis]
) -> list[BrokenBy]:
    """The findings of a check by their causes. Findings of one story belong together; without
    stories, those that point at one node under one kind of fault. Those with one mechanism at one
    node are one cause; what was not diagnosed stays by itself, or with the stories of its cause.

    A program that ended, or never took part, comes first, then what breaks without a fault, then
    the cause that breaks most.
    """
    parts: list[BrokenBy] = []
    for first, *others in _units(report, stories):
        diagnosis = diagnoses.get(place_of(first))
        story = stories.of(place_of(first))
        node = suspect(report.vehicle, first.verdict) if diagnosis is None else diagnosis.node
        parts.append(BrokenBy((first, *others), node, story, diagnosis))
    found: dict[object, list[BrokenBy]] = {}
    for part in parts:
        found.setdefault(_key(_clearer(part, parts)), []).append(part)
    return sorted(map(_together, found.values()), key=_order)


def diagnose_findings(
    report: CheckReport,
    stories: Stories,
    *,
    jobs: int | None = None,
    limit_s: float = LIMIT_S,
    progress: Callable[[int, int], None] | None = None,
) -> dict[Place, Diagnosis]:
    """The diagnosis of one finding of each story, and of each group that has none, by its place.

    ``jobs`` is the number of processes (default: all cores); the diagnoses do not depend on it.
    ``limit_s`` is the processor time in seconds after which a run counts as hung;
    ``progress(done, total)`` is called as they come. An interrupt from the keyboard ends the
    search; what was found so far is returned.
    """
    told = progress or (lambda *_: None)
    units = [(first, stories.of(place_of(first))) for first, *_ in _units(report, stories)]
    names = [first.case.name for first, story in units if story is None]
    cases = cases_named(report.vehicle, report.seed, names, report.drive, report.logged)
    wanted: list[tuple[Place, Scenario]] = []
    for first, story in units:
        scenario = cases.get(first.case.name) if story is None else story.shrunk.scenario
        if scenario is not None:
            wanted.append((place_of(first), scenario))

    def work(number: int, _stop: Callable[[], bool] = lambda: False) -> Diagnosis | None:
        place, scenario = wanted[number]
        return _diagnosed(scenario, place, limit_s)

    found: dict[Place, Diagnosis] = {}
    told(0, len(wanted))
    many = jobs or os.cpu_count() or 1
    results = forked(many, len(wanted), work) if can_branch() else map(work, range(len(wanted)))
    try:
        for number, diagnosis in enumerate(results):
            if diagnosis is not None:
                found[wanted[number][0]] = diagnosis
            told(number + 1, len(wanted))
    except KeyboardInterrupt:
        pass
    return found


def diagnose_run(result: RunResult, limit_s: float = LIMIT_S) -> list[Diagnosis]:
    """Why a scenario broke its rules: the diagnosis of the rule that tells most, for each node that
    the broken rules point at. None where somebody took part who cannot be run again.
    """
    scenario = result.scenario
    if scenario.outside is not None or scenario.traffic is not None:
        return []
    found: dict[str, Verdict] = {}
    for verdict in sorted((v for v in result.verdicts if v.broken), key=vagueness):
        found.setdefault(suspect(scenario.vehicle, verdict), verdict)
    diagnoses = [_diagnosed(scenario, (v.subject, v.rule), limit_s) for v in found.values()]
    return [*dict.fromkeys(filter(None, diagnoses))]


def _diagnosed(scenario: Scenario, place: Place, limit_s: float) -> Diagnosis | None:
    """A diagnosis in a process of its own; None where the machine has no time for it."""
    if not can_branch():
        return None if place[0] == PROCESS else diagnose(scenario, *place)
    try:
        return Child(lambda: diagnose(scenario, *place)).answer(limit_s)
    except NoAnswer as why:
        ended = "ended" in str(why)
        return Diagnosis(Mechanism.ENDED if ended else Mechanism.HUNG, "", text=str(why))
    except NotFinished:
        return None


# ---- which findings belong together ----


def _units(report: CheckReport, stories: Stories) -> list[list[Finding]]:
    """The findings of each story, and of each node and kind of fault without one; the one that
    tells most first.
    """
    groups: dict[object, list[Finding]] = {}
    for finding in report.findings:
        story = stories.of(place_of(finding))
        key: object = (suspect(report.vehicle, finding.verdict), finding.case.fault)
        groups.setdefault(key if story is None else story.name, []).append(finding)
    return [_told_first(group, stories) for group in groups.values()]


def _told_first(group: list[Finding], stories: Stories) -> list[Finding]:
    """What a story was shrunk for comes first; without one, what tells most."""
    story = stories.of(place_of(group[0]))
    shrunk = None if story is None else story.tells[0]
    return sorted(group, key=lambda f: (place_of(f) != shrunk, vagueness(f.verdict)))


def _clearer(part: BrokenBy, parts: Sequence[BrokenBy]) -> BrokenBy:
    """Where a rule tells little and nothing confirmed why, what the same faults broke at the same
    node by a rule that tells more.
    """
    vague = vagueness(part.findings[0].verdict)
    if vague < _VAGUE_FROM or part.diagnosis is None or part.diagnosis.repair is not None:
        return part
    alike = [
        other
        for other in parts
        if (other.node, _faults(other)) == (part.node, _faults(part))
        and vagueness(other.findings[0].verdict) < _VAGUE_FROM
    ]
    return alike[0] if alike else part


_VAGUE_FROM = 2
"""From this :func:`vagueness` on a rule says only that something does not work."""


def _faults(part: BrokenBy) -> str:
    """The kinds of faults under which it shows."""
    return part.findings[0].case.fault if part.story is None else part.story.shrunk.scenario.kinds


def _key(part: BrokenBy) -> object:
    """What findings of one cause have in common."""
    first, found, story = part.findings[0], part.diagnosis, part.story
    if found is None:
        return story.cause if story is not None else (part.node, first.case.fault)
    parts: tuple[object, ...] = (found.mechanism, found.node, found.repair, found.where)
    if found.mechanism in _BY_MESSAGE:
        parts += (found.message,)
    if found.mechanism in _BY_SUBJECT or not found.node:
        parts += (first.verdict.subject,)
    return parts


_BY_MESSAGE = (Mechanism.IGNORED, Mechanism.NOT_SENT, Mechanism.SENT_WRONG)
_BY_SUBJECT = (Mechanism.LIMIT, Mechanism.HARDWARE, Mechanism.NOT_FOUND)
"""Mechanisms of which a node may have several: one for each message, or for each subject."""


def _together(parts: Sequence[BrokenBy]) -> BrokenBy:
    """Several with one cause as one: the one that tells most speaks for all."""
    best = min(parts, key=lambda part: (_faulty(part), vagueness(part.findings[0].verdict)))
    others = [finding for part in parts if part is not best for finding in part.findings]
    others.sort(key=lambda finding: vagueness(finding.verdict))
    return best._replace(findings=(*best.findings, *others))


def _order(cause: BrokenBy) -> tuple[bool, bool, int, int]:
    verdicts = [finding.verdict for finding in cause.findings]
    ended = cause.diagnosis is not None and cause.diagnosis.mechanism in _OF_PROGRAMS
    ended = ended or any(map(_ended, verdicts))
    return not ended, _faulty(cause), -len(cause.findings), vagueness(cause.findings[0].verdict)


def _ended(verdict: Verdict) -> bool:
    return verdict.subject == PROCESS or verdict.cause is Cause.CRASHED


def _faulty(cause: BrokenBy) -> bool:
    if cause.story is None:
        return cause.findings[0].case.fault != "none"
    return bool(cause.story.shrunk.scenario.faults)


_OF_PROGRAMS = (
    Mechanism.ENDED, Mechanism.HUNG, Mechanism.RESTARTED, Mechanism.NOT_STARTED,
)  # fmt: skip
"""Mechanisms that come before everything."""
