"""What broke, case by case: findings that one case shows are one story with one picture."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import partial

from linkloss.campaign.check import Failed, Wanted, again, cases_named
from linkloss.campaign.result import CheckReport, Finding, RunResult
from linkloss.judge.verdict import Outcome
from linkloss.report.findings import Told, effort, story_sentence
from linkloss.report.html.scene import Place, look, traffic
from linkloss.report.html.sheet import Broken, Reduced, Scene, Story, Traffic
from linkloss.report.terminal import narrowest
from linkloss.report.words import command, finding_sentence, rule_words
from linkloss.scenario import Scenario
from linkloss.units import show_duration

IN_FULL = 50
"""Stories that get a picture; the others are summarised."""
NARROW = 3
"""Kept rules with the smallest margins whose case gets a picture."""
_CHANGED = (
    "Run again, this case did not show the same: the vehicle, its programs or linkloss have"
    " changed since, or a program depends on something outside the bench."
)


def grouped(report: CheckReport, told: Told | None = None) -> list[list[Finding]]:
    """The findings by the shortest story that tells them, or else by the case that shows them, in
    the order of the rules.
    """
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in report.findings:
        short = told.story(finding) if told is not None else None
        key = ("case", finding.case.name) if short is None else ("story", short.name)
        groups.setdefault(key, []).append(finding)
    return list(groups.values())


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


class Looker:
    """Runs the cases of a check again and makes its stories."""

    def __init__(
        self,
        report: CheckReport,
        told: Told | None = None,
        *,
        jobs: int | None = None,
    ) -> None:
        self.report = report
        self.told = told
        self.jobs = jobs

    def stories(
        self, groups: Sequence[Sequence[Finding]]
    ) -> tuple[tuple[Story, ...], tuple[Story, ...], tuple[Story, ...], Traffic | None]:
        """What broke in full, what is only summarised, what held narrowly, and the bus of a
        run without a fault.
        """
        full = groups[:IN_FULL]
        narrow = self._narrow()
        plain = self._plain()
        names = [group[0].case.name for group in full] + [name for _, name, _ in narrow]
        cases = cases_named(
            self.report.vehicle,
            self.report.seed,
            [*names, *plain[:1]],
            self.report.drive,
            self.report.logged,
        )
        wanted: list[Wanted[Scene | Traffic] | None] = [
            *(self._finding(cases, group) for group in full),
            *(_wanted(cases, name, places) for _, name, places in narrow),
            *(
                Wanted[Scene | Traffic](cases[name], partial(_traffic, name))
                for name in plain[:1]
                if name in cases
            ),
        ]
        known: list[Wanted[Scene | Traffic]] = [entry for entry in wanted if entry is not None]
        answers = again(known, jobs=self.jobs)
        scenes = [None if entry is None else next(answers) for entry in wanted]
        told = [self._story(i, group, scenes[i]) for i, group in enumerate(full)]
        rest = [self._story(i, group) for i, group in enumerate(groups) if i >= IN_FULL]
        close = [
            self._narrow_story(i, title, name, scenes[len(full) + i])
            for i, (title, name, _) in enumerate(narrow)
        ]
        last = scenes[-1] if scenes else None
        return tuple(told), tuple(rest), tuple(close), last if isinstance(last, Traffic) else None

    def _finding(
        self, cases: Mapping[str, Scenario], group: Sequence[Finding]
    ) -> Wanted[Scene | Traffic] | None:
        """What tells a group of findings: their shortest story, or the case that shows them."""
        short = self.told.story(group[0]) if self.told is not None else None
        if short is None:
            return _wanted(cases, group[0].case.name, _places(group))
        rules = [(finding.verdict.subject, finding.verdict.rule) for finding in group]
        return Wanted(short.shrunk.scenario, partial(_look_where_broken, rules=rules))

    def _plain(self) -> list[str]:
        """A case without a fault, of the situation that does most; none if none was run."""
        tried = [situation for situation, fault in self.report.tally.tried if fault == "none"]
        tables = self.report.vehicle.situations
        tried.sort(key=lambda name: len(tables[name].actions) if name in tables else -1)
        return [f"{name}/none" for name in reversed(tried)]

    def _narrow(self) -> list[tuple[str, str, list[Place]]]:
        """The cases of the kept rules with the smallest margins: title, case, what to look at."""
        found: dict[str, tuple[str, list[Place]]] = {}
        for entry in narrowest(self.report):
            if entry.case is None or len(found) == NARROW:
                break
            margin = show_duration(entry.verdict.margin_ns or 0)
            rule = rule_words(self.report.vehicle, entry.subject, entry.rule)
            title = f"{entry.subject} had {margin} left; rule: {rule}"
            found.setdefault(entry.case.name, (title, []))[1].append(
                Place(entry.subject, entry.rule)
            )
        return [(title, name, places) for name, (title, places) in found.items()]

    def _story(
        self, index: int, group: Sequence[Finding], scene: Scene | Failed | Traffic | None = None
    ) -> Story:
        report, case = self.report, group[0].case
        broken = tuple(self._broken(finding) for finding in group)
        note = _note(scene) if index < IN_FULL else ""
        reduced = self._reduced(group[0])
        if isinstance(scene, Scene) and not _same(scene, group, by_rule=reduced is not None):
            note = _CHANGED
        return Story(
            anchor=anchor(index),
            title=broken[0].sentence,
            broken=broken,
            situation=case.situation,
            command=command(report, case),
            scene=scene if isinstance(scene, Scene) else None,
            note=note,
            reduced=reduced,
        )

    def _reduced(self, finding: Finding) -> Reduced | None:
        short = self.told.story(finding) if self.told is not None else None
        if self.told is None or short is None:
            return None
        sentence = story_sentence(short)
        return Reduced(short.name, sentence, self.told.command(short), effort(short))

    def _broken(self, finding: Finding) -> Broken:
        verdict = finding.verdict
        also = [
            kind
            for kind in self.report.faults
            for cell in (self.report.cells[verdict.subject, kind],)
            if cell.outcome is Outcome.BROKEN and verdict.rule in cell.rules
        ]
        return Broken(
            verdict.subject,
            verdict.rule,
            finding_sentence(self.report.vehicle, verdict, finding.case),
            tuple(also),
            finding.times,
        )

    def _narrow_story(
        self, index: int, title: str, name: str, scene: Scene | Failed | Traffic | None
    ) -> Story:
        case = next(
            entry.case
            for entry in self.report.rules
            if entry.case is not None and entry.case.name == name
        )
        return Story(
            anchor=f"narrow-{index + 1}",
            title=title,
            situation=case.situation,
            command=command(self.report, case),
            scene=scene if isinstance(scene, Scene) else None,
            note=_note(scene),
        )


def _places(group: Sequence[Finding]) -> list[Place]:
    """What to look at in the case that a story is told by."""
    return [
        Place(finding.verdict.subject, finding.verdict.rule, finding.verdict.at_ns)
        for finding in group
        if finding.case.name == group[0].case.name
    ]


def _wanted(
    cases: Mapping[str, Scenario], name: str, places: Sequence[Place]
) -> Wanted[Scene | Traffic] | None:
    return Wanted(cases[name], partial(look, places=places)) if name in cases else None


def _traffic(name: str, result: RunResult) -> Traffic:
    return traffic(result.scenario.vehicle, result.recording, name)


def _note(scene: Scene | Failed | Traffic | None) -> str:
    """Why there is no picture."""
    if scene is None:
        return "There is no picture: the name of the case does not fit the vehicle any more."
    return f"There is no picture: {scene.why}." if isinstance(scene, Failed) else ""


def _same(scene: Scene, group: Sequence[Finding], *, by_rule: bool) -> bool:
    """Whether the case shows again what it showed in the check; a short story breaks the same
    rules, but at other instants.
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


def margin_lines(report: CheckReport, most: int = 12) -> Iterator[tuple[str, str, str, str]]:
    """The kept rules with the smallest margins: margin, subject, rule, case."""
    for entry in narrowest(report)[:most]:
        words = rule_words(report.vehicle, entry.subject, entry.rule)
        case = "" if entry.case is None else entry.case.name
        yield show_duration(entry.verdict.margin_ns or 0), entry.subject, words, case
