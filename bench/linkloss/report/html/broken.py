"""What broke, case by case: findings shown by one case are one story with one picture.

A check keeps no recordings: ``looks`` says which cases to run again, and what is wanted from each.
Nothing is run here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import partial
from itertools import chain

from linkloss.campaign.causes import place_of
from linkloss.campaign.check import Failed, Wanted, cases_named
from linkloss.campaign.mechanism import Diagnosis
from linkloss.campaign.result import CaseResult, CheckReport, Finding, RunResult
from linkloss.judge.verdict import Outcome
from linkloss.report.advice import look_at, proof, why
from linkloss.report.car_drawing import draw_car
from linkloss.report.findings import Told, cause_sentence, effort, found_causes, story_sentence
from linkloss.report.html.scene import Place, look, traffic
from linkloss.report.html.sheet import Broken, Car, CarMark, Cause, Reduced, Scene, Story, Traffic
from linkloss.report.totals import narrowest
from linkloss.report.words import command, count, finding_sentence, rule_words, short_margin
from linkloss.scenario import Scenario
from linkloss.units import show_duration

IN_FULL = 50
"""Stories that get a picture; the others are summarised."""
NARROW = 3
"""Kept rules with the smallest margins whose case gets a picture."""
BUS = "bus"
Look = Wanted[Scene | Traffic]
Seen = Mapping[str, Scene | Traffic | Failed]
"""What each look of :func:`looks` showed, by anchor."""
_CHANGED = (
    "Run again, this case did not show the same: the vehicle, its programs or linkloss have"
    " changed since, or a program depends on something outside the bench."
)


def grouped(report: CheckReport, told: Told | None = None) -> list[list[Finding]]:
    """The findings grouped by the shortest story, or else the case, that shows them; what one cause
    broke stands together, in the order of the causes.
    """
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in chain.from_iterable(c.findings for c in found_causes(report, told)):
        short = told.story(finding) if told is not None else None
        key = ("case", finding.case.name) if short is None else ("story", short.name)
        groups.setdefault(key, []).append(finding)
    return list(groups.values())


def cause_lines(
    report: CheckReport, told: Told | None, links: Mapping[tuple[str, str], str]
) -> list[Cause]:
    """The causes, each with the anchor of the story that tells it."""
    lines = []
    for cause in found_causes(report, told):
        verdict = cause.findings[0].verdict
        others = len(cause.findings) - 1
        known = cause.diagnosis
        about = [f"look at node {cause.node}"] if cause.node and known is None else []
        about += [f"{count(others, 'more rule')} broken with it"] if others else []
        lines.append(
            Cause(
                cause_sentence(report, cause),
                "; ".join(about),
                links[verdict.subject, verdict.rule],
                "" if known is None else f"{why(known)}.",
                _advice(report, known),
            )
        )
    return lines


def _advice(report: CheckReport, known: Diagnosis | None) -> str:
    advice = "" if known is None else look_at(report.vehicle, known)
    return f"{advice}." if advice else ""


def marked_car(report: CheckReport, told: Told | None, links: Mapping[tuple[str, str], str]) -> Car:
    """The car from above, with its broken loads and the nodes to look at."""
    places = {(entry.subject, entry.rule): entry.verdict.outcome for entry in report.rules}
    outcomes: dict[str, Counter[Outcome]] = {}
    for (subject, _), outcome in places.items():
        outcomes.setdefault(subject, Counter())[outcome] += 1
    causes: dict[str, dict[int, str]] = {}
    for number, cause in enumerate(found_causes(report, told), start=1):
        first = cause.findings[0].verdict
        anchor = links[first.subject, first.rule]
        subjects = {finding.verdict.subject for finding in cause.findings}
        for subject in [cause.node, *subjects]:
            causes.setdefault(subject, {})[number] = anchor

    def mark(name: str) -> CarMark:
        return _mark(outcomes.get(name, Counter()), causes.get(name, {}))

    vehicle = report.vehicle
    return Car(
        draw_car(vehicle),
        {name: mark(name) for name in vehicle.loads},
        {name: mark(name) for name in vehicle.nodes},
    )


def _mark(outcomes: Counter[Outcome], causes: Mapping[int, str]) -> CarMark:
    told = [f"{outcomes[outcome]} {outcome.value}" for outcome in Outcome if outcomes[outcome]]
    text = ", ".join(told) or "no rule"
    if causes:
        text += f"; {'cause' if len(causes) == 1 else 'causes'} {', '.join(map(str, causes))}"
    state = "kept" if outcomes[Outcome.KEPT] and not outcomes[Outcome.NOT_EXERCISED] else "untested"
    state = "broken" if causes or outcomes[Outcome.BROKEN] else state
    return CarMark(state, text, tuple(causes), next(iter(causes.values()), ""))


def links(groups: Sequence[Sequence[Finding]]) -> Mapping[tuple[str, str], str]:
    """The anchor of each broken rule's story."""
    return {
        (finding.verdict.subject, finding.verdict.rule): anchor(index)
        for index, group in enumerate(groups)
        for finding in group
    }


def anchor(index: int) -> str:
    """The anchor of a story."""
    return f"finding-{index + 1}"


def narrow_anchor(index: int) -> str:
    """The anchor of a case whose rules held narrowly."""
    return f"narrow-{index + 1}"


def looks(report: CheckReport, told: Told | None = None) -> dict[str, Look]:
    """The cases that the page of a check shows: by anchor, the case to run again, and what is
    wanted from its run. The caller runs them, and passes the answers to the page.
    """
    groups, narrow = grouped(report, told)[:IN_FULL], _narrow(report)
    plain = _plain(report)
    names = [group[0].case.name for group in groups] + [case.name for _, case, _ in narrow]
    cases = cases_named(report.vehicle, report.seed, [*names, *plain], report.drive, report.logged)
    found = {anchor(i): _finding(cases, group, told) for i, group in enumerate(groups)}
    for i, (_, case, places) in enumerate(narrow):
        found[narrow_anchor(i)] = _wanted(cases, case.name, places)
    for name in plain:
        if name in cases:
            found[BUS] = Wanted(cases[name], partial(_traffic, name))
    return {key: look for key, look in found.items() if look is not None}


def _finding(
    cases: Mapping[str, Scenario], group: Sequence[Finding], told: Told | None
) -> Look | None:
    """What shows a group of findings: their shortest story, or their case."""
    short = told.story(group[0]) if told is not None else None
    if short is None:
        return _wanted(cases, group[0].case.name, _places(group))
    rules = [(finding.verdict.subject, finding.verdict.rule) for finding in group]
    return Wanted(short.shrunk.scenario, partial(_look_where_broken, rules=rules))


def _plain(report: CheckReport) -> list[str]:
    """A case without a fault, of the situation with the most actions; empty if none was run."""
    tried = [situation for situation, fault in report.tally.tried if fault == "none"]
    tables = report.vehicle.situations
    tried.sort(key=lambda name: len(tables[name].actions) if name in tables else -1)
    return [f"{name}/none" for name in tried[-1:]]


def _narrow(report: CheckReport) -> list[tuple[str, CaseResult, list[Place]]]:
    """The cases of the kept rules with the smallest margins: title, case, what to look at."""
    found: dict[str, tuple[str, CaseResult, list[Place]]] = {}
    for entry in narrowest(report):
        if entry.case is None or len(found) == NARROW:
            break
        margin = show_duration(entry.verdict.margin_ns or 0)
        rule = rule_words(report.vehicle, entry.subject, entry.rule)
        title = f"{entry.subject} had {margin} left; rule: {rule}"
        case = found.setdefault(entry.case.name, (title, entry.case, []))
        case[2].append(Place(entry.subject, entry.rule))
    return list(found.values())


def broken_stories(
    report: CheckReport, groups: Sequence[Sequence[Finding]], told: Told | None, seen: Seen
) -> tuple[tuple[Story, ...], tuple[Story, ...]]:
    """What broke: the stories in full, and those that are only summarised."""
    found = []
    for index, group in enumerate(groups):
        scene, case = seen.get(anchor(index)), group[0].case
        broken = tuple(_broken(report, finding) for finding in group)
        reduced = _reduced(group[0], told)
        note = _note(scene) if index < IN_FULL else ""
        if isinstance(scene, Scene) and not _same(scene, group, by_rule=reduced is not None):
            note = _CHANGED
        known = None if told is None else told.diagnoses.get(place_of(group[0]))
        reasons = [] if known is None else [why(known), *filter(None, [proof(known)])]
        story = Story(
            anchor=anchor(index),
            title=broken[0].sentence if reduced is None else reduced.sentence,
            broken=broken,
            situation=case.situation,
            command=command(report, case),
            scene=scene if isinstance(scene, Scene) else None,
            note=note,
            reduced=reduced,
            why=f"{'; '.join(reasons)}." if reasons else "",
            advice=_advice(report, known),
        )
        found.append(story)
    return tuple(found[:IN_FULL]), tuple(found[IN_FULL:])


def narrow_stories(report: CheckReport, seen: Seen) -> Iterator[Story]:
    """The stories of the rules that held narrowly."""
    for index, (title, case, _) in enumerate(_narrow(report)):
        scene = seen.get(narrow_anchor(index))
        yield Story(
            anchor=narrow_anchor(index),
            title=title,
            situation=case.situation,
            command=command(report, case),
            scene=scene if isinstance(scene, Scene) else None,
            note=_note(scene),
        )


def _reduced(finding: Finding, told: Told | None) -> Reduced | None:
    short = told.story(finding) if told is not None else None
    if told is None or short is None:
        return None
    return Reduced(short.name, story_sentence(short), told.command(short), effort(short))


def _broken(report: CheckReport, finding: Finding) -> Broken:
    verdict = finding.verdict
    also = [
        kind
        for kind in report.faults
        for cell in (report.cells[verdict.subject, kind],)
        if cell.outcome is Outcome.BROKEN and verdict.rule in cell.rules
    ]
    sentence = finding_sentence(report.vehicle, verdict, finding.case)
    words = rule_words(report.vehicle, verdict.subject, verdict.rule)
    margin = "" if verdict.margin_ns is None else short_margin(verdict.margin_ns)
    return Broken(
        verdict.subject, verdict.rule, sentence, tuple(also), finding.times, words, margin
    )


def _places(group: Sequence[Finding]) -> list[Place]:
    """What to look at in the case that shows a story."""
    return [
        Place(finding.verdict.subject, finding.verdict.rule, finding.verdict.at_ns)
        for finding in group
        if finding.case.name == group[0].case.name
    ]


def _wanted(cases: Mapping[str, Scenario], name: str, places: Sequence[Place]) -> Look | None:
    return Wanted(cases[name], partial(look, places=places)) if name in cases else None


def _traffic(name: str, result: RunResult) -> Traffic:
    return traffic(result.scenario.vehicle, result.recording, name)


def _note(scene: Scene | Failed | Traffic | None) -> str:
    """Why there is no picture."""
    if scene is None:
        return "There is no picture: the name of the case does not fit the vehicle any more."
    return f"There is no picture: {scene.why}." if isinstance(scene, Failed) else ""


def _same(scene: Scene, group: Sequence[Finding], *, by_rule: bool) -> bool:
    """Whether the case shows the same as in the check. A short story breaks the same rules, but at
    other instants.
    """
    if by_rule:
        rules = {(finding.verdict.subject, finding.verdict.rule) for finding in group}
        return rules <= {(subject, rule) for subject, rule, _ in scene.held}
    return {tuple(place) for place in _places(group)} <= set(scene.held)


def _look_where_broken(result: RunResult, rules: Collection[tuple[str, str]]) -> Scene:
    """Look at a run where it breaks these rules."""
    places = [
        Place(verdict.subject, verdict.rule, verdict.at_ns)
        for verdict in result.broken
        if (verdict.subject, verdict.rule) in rules
    ]
    return look(result, places)


MOST_MARGINS = 12


def margin_lines(report: CheckReport) -> Iterator[tuple[str, str, str, str]]:
    """The kept rules with the smallest margins: margin, subject, rule, case."""
    for entry in narrowest(report)[:MOST_MARGINS]:
        words = rule_words(report.vehicle, entry.subject, entry.rule)
        case = "" if entry.case is None else entry.case.name
        yield show_duration(entry.verdict.margin_ns or 0), entry.subject, words, case
