"""A check on the screen: the table, what broke and how to see it again, what was not exercised.

Other parts show which rules held narrowly, what differs from a baseline, firmware lines that no
case reached, the progress of a check, and the catalogue of faults.
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from math import inf
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

from linkloss.campaign.causes import BrokenBy
from linkloss.campaign.forecast import Forecast
from linkloss.campaign.result import CaseResult, CheckReport, RuleResult
from linkloss.campaign.store import Change, Changes, Standing
from linkloss.clock.wallclock import monotonic_seconds
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import catalogue
from linkloss.firmware.coverage import Lines, ranges
from linkloss.judge import Outcome
from linkloss.problem import printable
from linkloss.report.advice import show_cause
from linkloss.report.findings import (
    Told,
    cause_sentence,
    effort,
    found_causes,
    verdict_line,
)
from linkloss.report.screen import (
    STYLES,
    bullet,
    caution,
    command_lines,
    hanging,
    heading,
    make_console,
    paragraph,
    shortened,
)
from linkloss.report.timeline import show_run
from linkloss.report.totals import narrowest, reach_sentences, show_table, totals
from linkloss.report.words import (
    by_subject,
    command_parts,
    count,
    deed,
    finding_sentence,
    rule_words,
    short_margin,
    untested_rules,
    why_no_time,
)
from linkloss.units import parse_duration, plain, show_duration, write_duration
from linkloss.vehicle.loading import Vehicle


def show_margins(console: Console, report: CheckReport, below_ns: int | None = None) -> None:
    """List the rules that held narrowly, each with the case of its smallest margin."""
    found = narrowest(report, below_ns)
    limit = "" if below_ns is None else f" below {show_duration(below_ns)}"
    heading(console, f"Margins{limit}, the smallest first: {count(len(found), 'rule')}")
    for entry in found:
        margin = show_duration(entry.verdict.margin_ns or 0)
        words = rule_words(report.vehicle, entry.subject, entry.rule)
        where = f", in {entry.case.name}" if entry.case is not None else ""
        why = why_no_time(report.vehicle, entry.subject, entry.verdict.margin_ns)
        bullet(console, f"{margin}{why}: {entry.subject}, {words}{where}")


def show_changes(console: Console, changes: Changes) -> None:
    """Show what differs from the baseline, worst first."""
    heading(console, "Compared with the baseline")
    fallen = [each for each in changes.fallen if _stood(each.before) != _stood(each.after)]
    parts = (
        ("newly broken", changes.broken, STYLES["broken"]),
        ("no longer put to the test", changes.untested, STYLES["not exercised"]),
        ("smaller margin", fallen, ""),
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
            console.print(
                f"    {number:5}  {printable(text.expandtabs())}",
                markup=False,
                highlight=False,
                no_wrap=True,
            )


def _texts(source: Lines) -> list[tuple[int, str]]:
    try:
        lines = Path(source.file).read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []
    return [(number, lines[number - 1]) for number in source.missed if number <= len(lines)]


_REFRESH_S, _LINE_S = 0.1, 10.0
"""How often a progress bar moves, and how often a line says how far it is where there is none."""


class ShownProgress:
    """How far something is: a bar on a terminal, elsewhere a line every ten seconds.

    What breaks is told at once, each rule once, above the bar.
    """

    def __init__(
        self,
        stream: IO[str],
        doing: str,
        unit: str,
        bar: Progress | None,
        vehicle: Vehicle | None = None,
    ) -> None:
        self._stream, self._doing, self._unit, self._bar = stream, doing, unit, bar
        self._vehicle = vehicle
        self._task = None if bar is None else bar.add_task(doing, total=None)
        self._begun_s = self._shown_s = monotonic_seconds()
        self._told: set[tuple[str, str]] = set()

    def __call__(self, done: int, total: int | None) -> None:
        """So many are done; ``total`` None: nobody knows of how many."""
        now_s = monotonic_seconds()
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, completed=done, total=total)
            if done == total or now_s - self._shown_s >= _REFRESH_S:
                self._shown_s = now_s
                self._bar.refresh()
        elif now_s - self._shown_s >= _LINE_S:
            self._shown_s = now_s
            of = "" if total is None else f" of {total}"
            left = ""
            if total and done:
                left_s = (now_s - self._begun_s) * (total - done) / done
                left = f", about {left_s:.0f} s left"
            self._say(f"linkloss: {self._doing}: {done}{of} {self._unit}{left}")

    def tell(self, case: CaseResult) -> None:
        """What a case broke that none before it did."""
        for verdict in case.verdicts:
            place = (verdict.subject, verdict.rule)
            if verdict.broken and place not in self._told:
                self._told.add(place)
                text = f"{verdict.subject}, rule {verdict.rule}"
                if self._vehicle is not None:
                    text = finding_sentence(self._vehicle, verdict, case)
                self._say(f"broken: {text}, in {case.name}")

    def _say(self, text: str) -> None:
        if self._bar is not None:
            self._bar.console.print(Text(printable(text)), soft_wrap=True)
        else:
            print(printable(text), file=self._stream, flush=True)


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
    *,
    quiet: bool,
    stream: IO[str] | None = None,
    doing: str = "checking",
    unit: str = "cases",
    vehicle: Vehicle | None = None,
) -> Iterator[ShownProgress | None]:
    """Shows on the error stream how many units of what is being done are done; None if quiet. With
    the ``vehicle`` it tells in sentences what breaks.
    """
    stream = sys.stderr if stream is None else stream
    if quiet:
        yield None
        return
    if not stream.isatty():
        yield ShownProgress(stream, doing, unit, None, vehicle)
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
        yield ShownProgress(stream, doing, unit, bar, vehicle)


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
    table: bool = False,
    verbose: bool = False,
    brief: bool = False,
    told: Told | None = None,
    changes: Changes | None = None,
    further: Sequence[Callable[[Console], None]] = (),
) -> None:
    """Show a report: the verdict, then what broke by its causes, then what was not put to the test,
    then the totals. Where something broke, or in ``brief``, the rest is folded into lines.

    :param table: also the table of subjects and faults.
    :param verbose: also every rule, and how the cases were chosen.
    :param told: the stories of what broke, if they were looked for.
    :param changes: what differs from a baseline; comes right after the verdict.
    :param further: parts before the totals.
    """
    paragraph(console, f"{report.vehicle.title} ({report.vehicle.path})", style="bold")
    causes = found_causes(report, told)
    style = STYLES["broken" if causes else "kept" if report.exit_code == 0 else "not exercised"]
    paragraph(console, verdict_line(report, causes), style=style)
    if report.desk is not None:
        heading(console, "On the desk")
        for sentence in report.desk.sentences:
            bullet(console, sentence)
    if changes is not None:
        show_changes(console, changes)
    _causes(console, report, causes, told, whole=verbose)
    if verbose:
        _every_rule(console, report)
    if table and report.cases:
        show_table(console, report)
    whole = verbose or not (causes or brief)
    _not_exercised(console, report, whole=whole)
    _unjudged(console, report, whole=whole)
    for part in further:
        part(console)
    _totals(console, report, whole=whole, verbose=verbose)
    caution(console, apart=whole)


def show_forecast(console: Console, found: Forecast) -> None:
    """Show what a check would run, and how long that takes."""
    paragraph(console, f"{found.vehicle.title} ({found.vehicle.path})", style="bold")
    paragraph(console, "Everything was read and compiled. Nothing was judged.")
    heading(console, f"Depth {found.depth}: {_planned(found)}")
    for band in found.bands:
        long = (
            f"of {band.over_s:g} s to {band.up_to_s:g} s"
            if band.over_s
            else f"of up to {band.up_to_s:g} s"
        )
        long = f"longer than {band.over_s:g} s" if band.up_to_s == inf else long
        simulated = show_duration(band.simulated_ns)
        bullet(console, f"{count(band.cases, 'case')} {long}: {simulated} simulated")
    if not found.measured:
        if found.cases:
            paragraph(console, "A case that was run to measure gave no result: no estimate.")
        return
    if found.takes_s is not None:
        here = f"with {found.jobs} at a time while this machine does nothing else"
        takes = _from_to(*found.takes_s)
        paragraph(console, f"Estimate: {takes} {here}, without shrinking what breaks.")
    cpu_s = sum(took.cpu_s for took in found.measured)
    simulated = show_duration(sum(took.simulated_ns for took in found.measured))
    cases = f"{count(len(found.measured), 'case')} of {simulated} together"
    paragraph(console, f"Measured: {cases} took {_rough(cpu_s)} of processor time.")


def _from_to(least_s: float, most_s: float) -> str:
    """``3 to 5 min``, ``40 s to 2 min``, ``about 3 min``."""
    least, most = _rough(least_s), _rough(most_s)
    if most.endswith(" min") and least_s >= 60:
        least = f"{round(least_s / 60)} min"
    if least == most:
        return f"about {least}"
    number, unit = least.split()
    return f"{number if most.endswith(f' {unit}') else least} to {most}"


def _rough(seconds: float) -> str:
    """A time that is not known well: ``12 min``, ``40 s``, ``210 ms``."""
    if seconds >= 90:
        return f"{round(seconds / 60)} min"
    return f"{round(seconds)} s" if seconds >= 1 else f"{max(1, round(seconds * 1e3))} ms"


def _planned(found: Forecast) -> str:
    if found.depth == "hunt" and not found.bands:
        most = "" if found.hunted is None else f", {count(found.hunted, 'case')} at most"
        return f"cases are drawn as it goes on{most}"
    return f"{count(found.cases, 'case')}, {show_duration(found.simulated_ns)} simulated"


def _causes(
    console: Console,
    report: CheckReport,
    causes: Sequence[BrokenBy],
    told: Told | None,
    *,
    whole: bool,
) -> None:
    for number, cause in enumerate(causes, 1):
        in_full = whole or cause.diagnosis is None
        room = console.width - len(f"{number}. ")
        sentence = cause_sentence(report, cause) if in_full else _shortly(report, cause, room)
        hanging(console, f"{number}. ", sentence, style=STYLES["broken"])
        if cause.diagnosis is not None:
            show_cause(console, report.vehicle, cause.diagnosis, indent=3, whole=whole)
        if in_full:
            _about_lines(console, report, cause, told, whole=whole)
        run = "" if cause.story is None or told is None else told.command(cause.story)
        parts = [run] if run else command_parts(report, cause.findings[0].case)
        command_lines(console, parts, indent=3)


def _shortly(report: CheckReport, cause: BrokenBy, width: int) -> str:
    """What a cause broke, by which rule and under which fault, in a line."""
    verdict, case, _ = cause.findings[0]
    fault = "no fault" if case.fault == "none" else case.fault
    more = f"; {len(cause.findings) - 1} more" if len(cause.findings) > 1 else ""
    about = f" ({verdict.rule}, {fault}{more})"
    return shortened(deed(report.vehicle, verdict), width - len(about)) + about


def _about_lines(
    console: Console, report: CheckReport, cause: BrokenBy, told: Told | None, *, whole: bool
) -> None:
    """The rule, how many cases show it, and what else the cause broke."""
    about = "; ".join(_about(report, cause, told, whole=whole))
    others = [f"{f.verdict.subject} {f.verdict.rule}" for f in cause.findings[1:]]
    if others:
        about += f"; {len(others)} more"
        about += ": " + ", ".join(others) if whole else _fitting(others, console.width - 3, about)
    paragraph(console, about, indent=3)


def _about(
    report: CheckReport, cause: BrokenBy, told: Told | None, *, whole: bool
) -> Iterator[str]:
    """The rule, the node to look at, how many cases show it and, in full, how short it was made."""
    verdict, case, times = cause.findings[0]
    if cause.story is not None:  # else the sentence before it says so
        yield f"rule: {rule_words(report.vehicle, verdict.subject, verdict.rule)}"
        if cause.node and cause.diagnosis is None:
            yield f"look at node {cause.node}"
    yield f"situation {case.situation or '(none)'}" if times == 1 else count(times, "case")
    if told is not None and cause.story is None:
        reason = told.stories.untold.get((verdict.subject, verdict.rule))
        if reason or told.stories.interrupted:
            yield f"not shrunk: {reason or 'interrupted'}"
    elif cause.story is not None and whole:
        yield f"shrunk in {effort(cause.story)}"


def _fitting(names: Sequence[str], width: int, before: str) -> str:
    """A colon and as many names as fit in a line behind a text; nothing if not even one does."""
    room = width - len(before) - len(": ")
    for many in range(len(names), 0, -1):
        text = ", ".join(names[:many]) + (", ..." if many < len(names) else "")
        if len(text) <= room:
            return f": {text}"
    return ""


def _not_exercised(console: Console, report: CheckReport, *, whole: bool) -> None:
    if not report.not_exercised:
        return
    number = count(len(report.not_exercised), "rule")
    if not whole:
        _folded(console, f"Not exercised: {number}", report.not_exercised)
        return
    heading(console, f"Not exercised: {number}")
    for subject, rules in by_subject(report.not_exercised).items():
        text = f"{subject}: {untested_rules(report, subject, rules)}"
        bullet(console, text, style=STYLES["not exercised"])


def _unjudged(console: Console, report: CheckReport, *, whole: bool) -> None:
    if not report.unjudged:
        return
    number = len(report.unjudged) - len(report.silent)
    allowed = f", {number} as the vehicle file says" if number else ""
    title = f"Not judged: {count(len(report.unjudged), 'thing')}{allowed}"
    if not whole:
        if report.silent:
            _folded(console, title, [(entry.what,) for entry in report.silent])
        return
    heading(console, title)
    for entry in report.unjudged:
        style = "" if entry.allowed else STYLES["not exercised"]
        bullet(console, f"{entry.what}: {entry.allowed or entry.reason}", style=style)
    if report.silent:
        text = (
            "What need not be judged stands in the vehicle file as [[unjudged]], with 'what' as it"
        )
        paragraph(console, f"{text} is named here and a 'reason'.", indent=2)


def _folded(console: Console, title: str, entries: Sequence[tuple[str, ...]]) -> None:
    """A list in one line: as many as fit."""
    names = _fitting([" ".join(entry) for entry in entries], console.width, title)
    paragraph(console, title + names, style=STYLES["not exercised"])


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


def _totals(console: Console, report: CheckReport, *, whole: bool, verbose: bool) -> None:
    found = totals(report)
    if whole:
        console.print()
    cases = count(found.cases, "case")
    if found.cases < (report.planned or 0):
        cases = f"{found.cases} of {count(report.planned or 0, 'case')}"
    paragraph(
        console,
        f"{cases}, {show_duration(found.simulated_ns)} simulated, seed"
        f" {report.seed}; rules: {found.rules}",
    )
    for sentence in report.vehicle.notes if verbose else report.vehicle.brief_notes:
        paragraph(console, sentence)
    if not whole:
        return
    if found.smallest_margin is not None:
        least = found.smallest_margin
        why = why_no_time(report.vehicle, least.subject, least.margin_ns)
        margin = f"{show_duration(least.margin_ns)}{why}, {least.subject}, rule {least.rule}"
        paragraph(console, f"Smallest margin of what was kept: {margin}, in {least.case}.")
    if report.space is not None:
        for sentence in report.space.sentences():
            paragraph(console, sentence)
    for sentence in reach_sentences(report.tally.coverage):
        paragraph(console, sentence)
