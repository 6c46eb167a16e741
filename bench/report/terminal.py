"""A check on the screen: the table, what broke and how to see it again, what was not tested."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rich.console import Console

from bench.campaign.result import CheckReport, Finding, RuleResult
from bench.judge import Outcome
from bench.model.units import show_duration
from bench.report.screen import (
    STYLES,
    bullet,
    caution,
    command_lines,
    heading,
    make_console,
    paragraph,
)
from bench.report.table import show_table
from bench.report.timeline import show_run
from bench.report.totals import totals
from bench.report.words import (
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
    further: Sequence[Callable[[Console], None]] = (),
) -> None:
    """Show a report. ``quiet`` leaves the table out, ``verbose`` lists every rule; ``further``
    parts come before the totals.
    """
    paragraph(console, f"{report.vehicle.title} ({report.vehicle.path})", style="bold")
    if not quiet and report.cases:
        show_table(console, report)
    if verbose:
        _every_rule(console, report)
    _findings(console, report)
    _not_exercised(console, report)
    for part in further:
        part(console)
    _totals(console, report)
    caution(console)


def _findings(console: Console, report: CheckReport) -> None:
    if not report.findings:
        return
    heading(console, f"Broken: {count(len(report.findings), 'rule')}")
    for finding in report.findings:
        _finding(console, report, finding)


def _finding(console: Console, report: CheckReport, finding: Finding) -> None:
    sentence = finding_sentence(report.vehicle, finding.verdict, finding.case)
    bullet(console, sentence, style=STYLES["broken"])
    times = f"; shown by {count(finding.times, 'case')}" if finding.times > 1 else ""
    situation = finding.case.situation or "no situation"
    paragraph(console, f"situation: {situation}{times}; run it again:", indent=2)
    command_lines(console, command_parts(report, finding.case), indent=4)


def _not_exercised(console: Console, report: CheckReport) -> None:
    if not report.not_exercised:
        return
    heading(console, f"Not exercised: {count(len(report.not_exercised), 'rule')}")
    by_subject: dict[str, list[str]] = {}
    for subject, rule in report.not_exercised:
        by_subject.setdefault(subject, []).append(rule)
    for subject, rules in by_subject.items():
        bullet(console, f"{subject}: {', '.join(rules)}", style=STYLES["not exercised"])


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
        f" {count(found.frames, 'frame')} on the wire (failed attempts"
        f" included), seed {report.seed}",
    )
    if report.space is not None:
        for sentence in report.space.sentences():
            paragraph(console, sentence)
    for sentence in report.vehicle.notes:
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
