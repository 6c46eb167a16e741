"""Beside the verdicts of a check: which rules held narrowly, and what has changed since."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console

from linkloss.campaign.baseline import Change, Changes, Standing
from linkloss.campaign.result import CheckReport, RuleResult
from linkloss.judge import Outcome
from linkloss.model.units import show_duration
from linkloss.report.screen import STYLES, bullet, heading, paragraph
from linkloss.report.words import count, rule_words


def narrowest(report: CheckReport, below_ns: int | None = None) -> list[RuleResult]:
    """The kept rules that have a margin, the smallest first; only those below a limit if given."""
    found = [
        entry
        for entry in report.rules
        if entry.verdict.outcome is Outcome.KEPT and entry.verdict.margin_ns is not None
    ]
    if below_ns is not None:
        found = [entry for entry in found if (entry.verdict.margin_ns or 0) < below_ns]
    return sorted(found, key=lambda entry: entry.verdict.margin_ns or 0)


def show_margins(console: Console, report: CheckReport, below_ns: int | None = None) -> None:
    """List what held narrowly, with the case in which it was so narrow."""
    found = narrowest(report, below_ns)
    limit = "" if below_ns is None else f" below {show_duration(below_ns)}"
    heading(console, f"Margins{limit}, the smallest first: {count(len(found), 'rule')}")
    for entry in found:
        margin = show_duration(entry.verdict.margin_ns or 0)
        words = rule_words(report.vehicle, entry.subject, entry.rule)
        where = f", in {entry.case.name}" if entry.case is not None else ""
        bullet(console, f"{margin}: {entry.subject}, {words}{where}")


def show_changes(console: Console, changes: Changes) -> None:
    """Say what differs from the baseline, worst first."""
    heading(console, "Compared with the baseline")
    parts = (
        ("newly broken", changes.broken, STYLES["broken"]),
        ("no longer put to the test", changes.untested, STYLES["not exercised"]),
        ("smaller margin", changes.fallen, ""),
        ("newly kept", changes.kept, STYLES["kept"]),
        ("no longer declared", changes.gone, ""),
    )
    if not any(found for _, found, _ in parts):
        paragraph(console, "Nothing has changed.")
    for title, found, style in parts:
        _part(console, title, found, style)


def _part(console: Console, title: str, found: Sequence[Change], style: str) -> None:
    if found:
        paragraph(console, f"{title}: {count(len(found), 'rule')}")
    for change in found:
        text = f"{change.subject}, {change.rule}: {_stood(change.before)}"
        bullet(console, f"{text}, now {_stood(change.after)}", style=style)


def _stood(standing: Standing | None) -> str:
    if standing is None:
        return "not there"
    if standing.margin_ns is None:
        return standing.outcome.value
    return f"{standing.outcome.value} ({show_duration(standing.margin_ns)})"
