"""A check on the screen: the table, what broke and how to see it again, what was not exercised.

Other parts show which rules held narrowly, what differs from a baseline, firmware lines that no
case reached, the progress of a check, and the catalogue of faults.
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from pydantic.fields import FieldInfo
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TextColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from linkloss.campaign.result import CheckReport, Finding, RuleResult
from linkloss.campaign.store import Change, Changes, Standing
from linkloss.clock.wallclock import monotonic_seconds
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import catalogue
from linkloss.firmware.coverage import Lines, ranges
from linkloss.judge import Outcome
from linkloss.report.findings import Told, effort, story_sentence
from linkloss.report.screen import (
    STYLES,
    bullet,
    caution,
    command_lines,
    heading,
    make_console,
    paragraph,
)
from linkloss.report.timeline import show_run
from linkloss.report.totals import reach_sentences, show_table, totals
from linkloss.report.words import (
    by_subject,
    command_parts,
    count,
    finding_sentence,
    outcome_line,
    rule_words,
    short_margin,
)
from linkloss.units import parse_duration, plain, show_duration, write_duration


def narrowest(report: CheckReport, below_ns: int | None = None) -> list[RuleResult]:
    """The kept rules that have a margin, the smallest first; with a limit, only those below it."""
    found = [
        entry
        for entry in report.rules
        if entry.verdict.outcome is Outcome.KEPT and entry.verdict.margin_ns is not None
    ]
    if below_ns is not None:
        found = [entry for entry in found if (entry.verdict.margin_ns or 0) < below_ns]
    return sorted(found, key=lambda entry: entry.verdict.margin_ns or 0)


def show_margins(console: Console, report: CheckReport, below_ns: int | None = None) -> None:
    """List the rules that held narrowly, each with the case of its smallest margin."""
    found = narrowest(report, below_ns)
    limit = "" if below_ns is None else f" below {show_duration(below_ns)}"
    heading(console, f"Margins{limit}, the smallest first: {count(len(found), 'rule')}")
    for entry in found:
        margin = show_duration(entry.verdict.margin_ns or 0)
        words = rule_words(report.vehicle, entry.subject, entry.rule)
        where = f", in {entry.case.name}" if entry.case is not None else ""
        bullet(console, f"{margin}: {entry.subject}, {words}{where}")


def show_changes(console: Console, changes: Changes) -> None:
    """Show what differs from the baseline, worst first."""
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


def show_coverage(console: Console, sources: Sequence[Lines]) -> None:
    """One line for each source, then the lines that did not run, with their text."""
    heading(console, "Lines of firmware")
    if not sources:
        paragraph(console, "No node of this vehicle has a program in C.")
    for source in sources:
        total = len(source.ran) + len(source.missed)
        bullet(console, f"{source.file}: {len(source.ran)} of {total} lines ran")
        if not source.missed:
            continue
        paragraph(console, f"never reached: {ranges(source.missed)}", indent=2)
        for number, text in _texts(source):
            console.print(f"    {number:5}  {text}", markup=False, highlight=False, no_wrap=True)


def _texts(source: Lines) -> list[tuple[int, str]]:
    try:
        lines = Path(source.file).read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []
    return [(number, lines[number - 1]) for number in source.missed if number <= len(lines)]


Report = Callable[[int, int | None], None]
_REFRESH_S = 0.1


class RateColumn(ProgressColumn):
    """Cases, or another unit, per second of real time."""

    def __init__(self, unit: str) -> None:
        super().__init__()
        self.unit = unit

    def render(self, task: Task) -> Text:
        """The rate, empty until there is one."""
        speed = task.finished_speed or task.speed
        return Text("" if speed is None else f"{speed:.{0 if speed >= 10 else 1}f} {self.unit}/s")


@contextmanager
def progress_of_check(
    *, quiet: bool, stream: IO[str] | None = None, doing: str = "checking", unit: str = "cases"
) -> Iterator[Report | None]:
    """A function ``(done, total)`` that moves a progress bar (``total`` None: unknown), or None if
    quiet or not on a terminal. The bar is on the error stream; it says what is being done, and
    counts units.
    """
    stream = sys.stderr if stream is None else stream
    if quiet or not stream.isatty():
        yield None
        return
    columns = (
        TextColumn(doing),
        BarColumn(),
        MofNCompleteColumn(),
        RateColumn(unit),
        TimeRemainingColumn(),
    )
    # No thread refreshes the bar: only a program with a single thread can fork its cases.
    with Progress(
        *columns,
        console=Console(file=stream),
        transient=True,
        get_time=monotonic_seconds,
        auto_refresh=False,
    ) as bar:
        task = bar.add_task(doing, total=None)
        shown_s = 0.0

        def report(done: int, total: int | None) -> None:
            nonlocal shown_s
            bar.update(task, completed=done, total=total)
            if done == total or monotonic_seconds() - shown_s >= _REFRESH_S:
                shown_s = monotonic_seconds()
                bar.refresh()

        yield report


def show_catalogue(console: Console) -> None:
    """All faults by group, each with one line on what it does and its parameters."""
    group = ""
    for kind, form in catalogue().items():
        if form.group != group:
            group = form.group
            heading(console, group)
        bullet(console, f"{kind}: {first_sentence(form)}")
        for line in parameter_lines(form):
            paragraph(console, line, indent=4)


def first_sentence(form: type[Fault]) -> str:
    """What a fault does, in the first sentence of its description."""
    text = " ".join((inspect.getdoc(form) or "").split("\n\n")[0].split())
    return text.partition(". ")[0].rstrip(".") + "."


def parameter_lines(form: type[Fault]) -> Iterator[str]:
    """``at (needed): the node that misses it``, one line for each parameter."""
    for name, field in form.model_fields.items():
        about = f": {field.description}" if field.description else ""
        yield f"{name} ({_need(field)}){about}"


def _need(field: FieldInfo) -> str:
    if field.is_required():
        return "needed"
    default: Any = field.default
    if default is None or "default" in (field.description or ""):
        return "optional"
    readers = [getattr(entry, "func", None) for entry in field.metadata]
    shown = write_duration(default) if parse_duration in readers else plain(default)
    return f"default {shown}"


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
    """Show a report. ``quiet`` leaves out the table, ``verbose`` lists every rule; ``told`` holds
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
    for subject, rules in by_subject(report.not_exercised).items():
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
        f"rules: {found.rules}",
    )
    if found.smallest_margin is not None:
        least = found.smallest_margin
        text = (
            f"smallest margin of what was kept: {show_duration(least.margin_ns)}, {least.subject},"
        )
        paragraph(console, f"{text} rule {least.rule}, in {least.case}")
