"""Makes pages of a check, of a run, of a result in a file, of every case, or of plain parts.

A plain page is for a result with neither cases nor loads: a verdict, what it is based on, and
parts.

A run may be one of a scenario or of anything else that gives a recording with verdicts.

A file for each case of a check, with an index, is for campaigns that are kept whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from itertools import count as count_from
from pathlib import Path

from linkloss.campaign.check import Failed, Wanted, cases_named
from linkloss.campaign.result import CAUTION, CaseResult, CheckReport, RunResult
from linkloss.judge.verdict import Outcome, Verdict
from linkloss.problem import EXIT_KEPT
from linkloss.report.files import write_whole
from linkloss.report.findings import Told, found_causes, verdict_line
from linkloss.report.html.broken import (
    BUS,
    MOST_MARGINS,
    Seen,
    anchor,
    broken_stories,
    cause_lines,
    grouped,
    links,
    margin_lines,
    marked_car,
    narrow_stories,
)
from linkloss.report.html.render import render
from linkloss.report.html.scene import Place, look, traffic
from linkloss.report.html.sections import (
    MODEL,
    check_facts,
    check_matrix,
    digests,
    load_sheets,
    run_facts,
    run_matrix,
    tried_matrix,
    untested_lines,
    version_facts,
    worst_part,
)
from linkloss.report.html.sheet import Broken, Fact, Page, Part, Story, Traffic
from linkloss.report.reopen import CHANGED, Reopened
from linkloss.report.timeline import outcome_of_run
from linkloss.report.totals import reach_sentences
from linkloss.report.words import (
    command,
    count,
    desk_sentences,
    outcome_line,
    rule_words,
    run_sentence,
    short_margin,
)
from linkloss.units import show_duration
from linkloss.vehicle.loading import Vehicle


def plain_page(
    title: str,
    verdict: str,
    *,
    state: str,
    parts: Sequence[Part],
    subtitle: str = "",
    facts: Mapping[str, str] | None = None,
    vehicle: Vehicle | None = None,
    warnings: Iterable[str] = (),
) -> Page:
    """A page made of parts. ``state`` is ``kept``, ``broken`` or ``untested``. ``facts`` are shown
    under the verdict, with the versions. The files of ``vehicle`` are listed with their digests.
    """
    told = [Fact(label, text) for label, text in (facts or {}).items()]
    return Page(
        title=title,
        subtitle=subtitle,
        state=state,
        verdict=verdict,
        facts=(*told, *version_facts()),
        inputs=() if vehicle is None else digests(vehicle),
        caution=CAUTION,
        vehicle="" if vehicle is None else str(vehicle.path),
        judged=False,
        warnings=tuple(warnings),
        parts=tuple(parts),
    )


def write_page(page: Page, path: Path) -> None:
    """Write a page, whole or not at all.

    :raises BadInput: if the file cannot be written.
    """
    write_whole(path, render(page))


def run_page(
    result: RunResult,
    *,
    command: str = "",
    parts: Sequence[Part] = (),
    warnings: Sequence[str] = (),
) -> Page:
    """The page of a run. ``command`` repeats it; ``parts`` are further sections, such as where its
    frames came from; ``warnings`` appear right under the verdict.
    """
    vehicle = result.scenario.vehicle
    broken = result.broken
    anchors = {(verdict.subject, verdict.rule): anchor(0) for verdict in broken}
    matrix = run_matrix(result, anchors)
    return Page(
        title=result.scenario.title or result.scenario.name,
        subtitle=vehicle.title,
        state=_run_state(result),
        verdict=outcome_of_run(result),
        facts=(*run_facts(result), *(Fact("", text) for text in (*vehicle.notes, MODEL))),
        inputs=digests(vehicle),
        caution=CAUTION,
        vehicle=str(vehicle.path),
        warnings=tuple(warnings),
        run=True,
        matrix=matrix,
        worst=worst_part(matrix),
        stories=(_story(result, broken, command),),
        margins=tuple(_margins(result)),
        untested=untested_lines(
            vehicle,
            (
                (verdict.subject, verdict.rule)
                for verdict in result.verdicts
                if verdict.outcome is Outcome.NOT_EXERCISED
            ),
        ),
        loads=load_sheets(vehicle, result.verdicts),
        traffic=traffic(vehicle, result.recording, "this run") if _seen(result) else None,
        parts=(*_expectations(result), *parts),
    )


def write_run_page(
    result: RunResult, path: Path, *, command: str = "", parts: Sequence[Part] = ()
) -> None:
    """Write the page of a run, whole or not at all; parameters as for :func:`run_page`.

    :raises BadInput: if the file cannot be written.
    """
    write_whole(path, render(run_page(result, command=command, parts=parts)))


def _run_state(result: RunResult) -> str:
    if result.broken:
        return "broken"
    return "kept" if result.exit_code == EXIT_KEPT else "untested"


def _story(result: RunResult, broken: Sequence[Verdict], command: str) -> Story:
    told = tuple(_broken(result, verdict) for verdict in broken)
    places = [Place(verdict.subject, verdict.rule, verdict.at_ns) for verdict in broken]
    return Story(
        anchor=anchor(0),
        title=told[0].sentence if told else "",
        broken=told,
        situation=result.scenario.situation,
        command=command,
        scene=look(result, places) if _seen(result) else None,
        note="" if _seen(result) else "There is no picture: nothing came back from this run.",
    )


def _seen(result: RunResult) -> bool:
    """Whether there is a recording at all: if the process was brought down, there is none."""
    return bool(result.recording.nodes)


def _broken(result: RunResult, verdict: Verdict) -> Broken:
    if verdict.rule == "expected":
        return Broken(verdict.subject, verdict.rule, f"{verdict.subject} {verdict.text}")
    words = rule_words(result.scenario.vehicle, verdict.subject, verdict.rule)
    margin = "" if verdict.margin_ns is None else short_margin(verdict.margin_ns)
    sentence = run_sentence(result, verdict)
    return Broken(verdict.subject, verdict.rule, sentence, words=words, margin=margin)


def _margins(result: RunResult) -> Iterator[tuple[str, str, str]]:
    """The kept rules with the smallest margins: margin, subject, rule."""
    kept = [
        (verdict.margin_ns, verdict.subject, verdict.rule)
        for verdict in result.verdicts
        if verdict.outcome is Outcome.KEPT and verdict.margin_ns is not None
    ]
    for margin_ns, subject, rule in sorted(kept)[:MOST_MARGINS]:
        words = rule_words(result.scenario.vehicle, subject, rule)
        yield show_duration(margin_ns), subject, words


def _expectations(result: RunResult) -> Iterator[Part]:
    rows = tuple(
        (
            verdict.outcome.value,
            entry.load,
            entry.state,
            show_duration(entry.from_ns),
            show_duration(entry.to_ns),
            verdict.text,
        )
        for entry, verdict in zip(result.scenario.expectations, result.expected, strict=True)
    )
    if rows:
        columns = ("outcome", "load", "expected", "from", "to", "what it did")
        yield Part("What the scenario expects", columns=columns, rows=rows)


CUT_SHORT = "The check was interrupted:"


def check_page(
    report: CheckReport,
    seen: Seen,
    *,
    warnings: Sequence[str] = (),
    space: Sequence[str] | None = None,
    told: Told | None = None,
) -> Page:
    """The page of a check. ``seen``: the results of the cases that ``looks`` asks for. ``warnings``
    appear right under the verdict. ``space`` says what the cases were chosen from, if the report
    itself does not know. ``told`` holds the shortest stories of what broke, if they were looked
    for; these are then shown.
    """
    groups = grouped(report, told)
    anchors = links(groups)
    matrix = check_matrix(report, anchors) if report.cases else None
    full, rest = broken_stories(report, groups, told, seen)
    bus = seen.get(BUS)
    if space is None:
        space = () if report.space is None else report.space.sentences()
    warnings = (*(f"On the desk: {sentence}" for sentence in desk_sentences(report)), *warnings)
    about = (*report.vehicle.notes, *space, *reach_sentences(report.tally.coverage), MODEL)
    missing = (report.planned or 0) - len(report.cases)
    if missing > 0:
        warnings = (*warnings, f"{CUT_SHORT} {count(missing, 'case')} not run.")
    return Page(
        title=report.vehicle.title,
        subtitle=report.vehicle.file.about,
        state=_check_state(report),
        verdict=verdict_line(report, found_causes(report, told)),
        causes=tuple(cause_lines(report, told, anchors)),
        car=marked_car(report, told, anchors),
        facts=(*check_facts(report), *(Fact("", sentence) for sentence in about)),
        inputs=digests(report.vehicle),
        caution=CAUTION,
        vehicle=str(report.vehicle.path),
        warnings=tuple(warnings),
        matrix=matrix,
        worst=None if matrix is None else worst_part(matrix),
        stories=full,
        summarised=rest,
        narrow=tuple(narrow_stories(report, seen)),
        margins=tuple(margin_lines(report)),
        untested=untested_lines(report.vehicle, report.not_exercised),
        unjudged=tuple((entry.what, entry.reason, entry.allowed) for entry in report.unjudged),
        tried=tried_matrix(report),
        loads=load_sheets(report.vehicle, (entry.verdict for entry in report.rules)),
        traffic=bus if isinstance(bus, Traffic) else None,
    )


def _check_state(report: CheckReport) -> str:
    if report.findings:
        return "broken"
    if (report.planned or 0) > len(report.cases):
        return "untested"
    return "kept" if report.exit_code == EXIT_KEPT else "untested"


def case_files(report: CheckReport, folder: Path) -> dict[str, Wanted[None]]:
    """The cases to run again, by file: ``case-00001.html`` and so on, in the order of the check.
    Each page is written to the folder. Cases that no longer fit the vehicle are left out.
    """
    commands = {case.name: command(report, case) for case in report.cases}
    found = cases_named(report.vehicle, report.seed, commands, report.drive, report.logged)
    return {
        file: Wanted(found[name], partial(_write, path=folder / file, words=commands[name]))
        for file, name in zip(_files(), commands, strict=False)
        if name in found
    }


def _files() -> Iterator[str]:
    return (f"case-{number:05d}.html" for number in count_from(1))


def _write(result: RunResult, path: Path, words: str) -> None:
    write_run_page(result, path, command=words)


def _standing(case: CaseResult) -> str:
    broken = sum(1 for verdict in case.verdicts if verdict.broken)
    return f"{count(broken, 'rule')} broken" if broken else f"{len(case.verdicts)} kept"


def index_page(report: CheckReport, written: Mapping[str, Failed | None]) -> Page:
    """The page that lists the cases of a check. ``written``: the results of ``case_files``."""
    rows, links = [], []
    for case, file in zip(report.cases, _files(), strict=False):
        lost = written.get(file, Failed("its name does not fit the vehicle"))
        links.append("" if lost else file)
        told = f"no file: {lost.why}" if lost else file
        rows.append((told, _standing(case), case.name, case.text))
    columns = ("file", "rules", "case", "faults")
    state = "broken" if report.findings else "untested" if report.exit_code else "kept"
    return Page(
        title=report.vehicle.title,
        subtitle="every case of a check",
        state=state,
        verdict=outcome_line(report),
        facts=(),
        inputs=digests(report.vehicle),
        caution=CAUTION,
        vehicle=str(report.vehicle.path),
        judged=False,
        parts=(Part("Cases", columns=columns, rows=tuple(rows), links=tuple(links)),),
    )


def reopened_page(found: Reopened, seen: Seen) -> Page:
    """The page of a check or of a run from a file. If the vehicle has changed since, it says so.
    ``seen`` as for :func:`check_page`.
    """
    warnings = (CHANGED,) if found.changed else ()
    if isinstance(found.result, RunResult):
        return run_page(found.result, warnings=warnings)
    report, told = found.result, found.told
    return check_page(report, seen, warnings=warnings, space=found.space, told=told)
