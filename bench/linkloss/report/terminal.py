"""A check on the screen: the table, what broke and how to see it again, what was not tested."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rich.console import Console

from linkloss.campaign.result import CheckReport, Finding, RuleResult
from linkloss.judge import Outcome
from linkloss.model.units import show_duration
from linkloss.report.findings import Told
from linkloss.report.reach import reach_sentences
from linkloss.report.screen import (
    STYLES,
    bullet,
    caution,
    command_lines,
    heading,
    make_console,
    paragraph,
)
from linkloss.report.story import effort, story_sentence
from linkloss.report.table import show_table
from linkloss.report.timeline import show_run
from linkloss.report.totals import totals
from linkloss.report.words import (
    command_parts,
    count,
    finding_sentence,
    outcome_line,
    rule_words,
    short_margin,
)

__all__ = ["make_console", "show_check", "show_run"]


def show_check(
    console: Console,
    report: CheckReport,
    *,
    quiet: bool = False,
    verbose: bool = False,
    told: Told | None = None,
    further: Sequence[Callable[[Console], None]] = (),
) -> None:
    """Show a report. ``quiet`` leaves the table out, ``verbose`` lists every rule; ``told`` are
    the stories of what broke, if they were looked for; ``further`` parts come before the totals.
    """
    paragraph(console, f"{report.vehicle.title} ({report.vehicle.path})", style="bold")
    if not quiet and report.cases:
        show_table(console, report)
    if verbose:
        _every_rule(console, report)
    _findings(console, report, told)
    _not_exercised(console, report)
    _unjudged(console, report)
    for part in further:
        part(console)
    _totals(console, report)
    caution(console)


def _findings(console: Console, report: CheckReport, told: Told | None) -> None:
    if not report.findings:
        return
    causes = told.stories.causes if told is not None else 0
    by = f", {count(causes, 'cause')}" if causes else ""
    heading(console, f"Broken: {count(len(report.findings), 'rule')}{by}")
    for finding in report.findings:
        _finding(console, report, finding)
        if told is not None:
            _story(console, told, finding)


def _finding(console: Console, report: CheckReport, finding: Finding) -> None:
    sentence = finding_sentence(report.vehicle, finding.verdict, finding.case)
    bullet(console, sentence, style=STYLES["broken"])
    times = f"; shown by {count(finding.times, 'case')}" if finding.times > 1 else ""
    situation = finding.case.situation or "no situation"
    paragraph(console, f"situation: {situation}{times}; run it again:", indent=2)
    command_lines(console, command_parts(report, finding.case), indent=4)


def _story(console: Console, told: Told, finding: Finding) -> None:
    place = (finding.verdict.subject, finding.verdict.rule)
    story = told.story(finding)
    if story is None:
        why = told.stories.untold.get(place, "interrupted")
        paragraph(console, f"not shrunk: {why}", indent=2)
        return
    if story.tells[0] == place:
        others = told.stories.sharing(story) - 1
        shared = f"; {count(others, 'more finding')} with this cause" if others else ""
        text = f"in short ({effort(story)}{shared}): {story_sentence(story)}"
    else:
        subject, rule = story.tells[0]
        text = f"same story as {subject}, rule {rule}"
    paragraph(console, text, indent=2)
    if told.command(story):
        command_lines(console, [told.command(story)], indent=4)


def _not_exercised(console: Console, report: CheckReport) -> None:
    if not report.not_exercised:
        return
    heading(console, f"Not exercised: {count(len(report.not_exercised), 'rule')}")
    by_subject: dict[str, list[str]] = {}
    for subject, rule in report.not_exercised:
        by_subject.setdefault(subject, []).append(rule)
    for subject, rules in by_subject.items():
        bullet(console, f"{subject}: {', '.join(rules)}", style=STYLES["not exercised"])


def _unjudged(console: Console, report: CheckReport) -> None:
    if not report.unjudged:
        return
    number = len(report.unjudged) - len(report.silent)
    allowed = f", {number} as the vehicle file says" if number else ""
    heading(console, f"Not judged: {count(len(report.unjudged), 'thing')}{allowed}")
    for entry in report.unjudged:
        style = "" if entry.allowed else STYLES["not exercised"]
        bullet(console, f"{entry.what}: {entry.allowed or entry.reason}", style=style)
    if report.silent:
        text = (
            "What need not be judged stands in the vehicle file as [[unjudged]], with 'what' as it"
        )
        paragraph(console, f"{text} is named here and a 'reason'.", indent=2)


def _every_rule(console: Console, report: CheckReport) -> None:
    heading(console, "Every rule")
    for entry in report.rules:
        bullet(console, _rule_line(report, entry), style=STYLES[entry.verdict.outcome.value])


def _rule_line(report: CheckReport, entry: RuleResult) -> str:
    verdict = entry.verdict
    text = f"{entry.subject}: {rule_words(report.vehicle, entry.subject, entry.rule)}:"
    text += f" {verdict.outcome.value}"
    if verdict.margin_ns is not None:
        text += f", margin {short_margin(verdict.margin_ns)}"
    if entry.case is not None and verdict.outcome is not Outcome.NOT_EXERCISED:
        text += f", in {entry.case.name}"
    return text


def _totals(console: Console, report: CheckReport) -> None:
    found = totals(report)
    heading(console, outcome_line(report))
    paragraph(
        console,
        f"{count(found.cases, 'case')}, {show_duration(found.simulated_ns)} simulated,"
        f" {count(found.frames, 'frame')} on the bus (failed attempts"
        f" included), seed {report.seed}",
    )
    if report.space is not None:
        for sentence in report.space.sentences():
            paragraph(console, sentence)
    for sentence in report.vehicle.notes:
        paragraph(console, sentence)
    for sentence in reach_sentences(report.tally.coverage):
        paragraph(console, sentence)
    paragraph(
        console,
        f"rules: {found.kept} kept, {found.broken} broken, {found.not_exercised} not exercised",
    )
    if found.smallest is not None:
        verdict = found.smallest.verdict
        paragraph(
            console,
            f"smallest margin of what was kept: {show_duration(found.smallest.margin_ns)},"
            f" {verdict.subject}, rule {verdict.rule}, in {found.smallest.case.name}",
        )
