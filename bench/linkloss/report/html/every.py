"""A file for each case of a check, and an index of them: for campaigns that are kept whole."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path

from linkloss.campaign.rerun import Failed, Wanted, again, cases_named
from linkloss.campaign.result import CAUTION, CaseResult, CheckReport, RunResult
from linkloss.report.files import write_whole
from linkloss.report.html.facts import digests
from linkloss.report.html.render import render
from linkloss.report.html.run import write_run_page
from linkloss.report.html.sheet import Page, Part
from linkloss.report.words import command, count, outcome_line


def keep_cases(report: CheckReport, folder: Path, *, jobs: int | None = None) -> None:
    """Run every case again, ``jobs`` at a time (default: all cores), and write
    ``case-00001.html`` and so on, in the order of the check, with ``index.html``.

    Raises BadInput when a file cannot be written.
    """
    commands = {case.name: command(report, case) for case in report.cases}
    names = list(commands)
    found = cases_named(report.vehicle, report.seed, names, report.drive, report.logged)
    files = {name: f"case-{number:05d}.html" for number, name in enumerate(names, start=1)}
    known = [name for name in names if name in found]
    wanted: list[Wanted[None]] = [
        Wanted(
            found[name],
            partial(_write, path=folder / files[name], words=commands[name]),
        )
        for name in known
    ]
    lost = dict.fromkeys(set(files).difference(known), "its name does not fit the vehicle")
    answers = again(wanted, jobs=jobs)
    for name, answer in zip(known, answers, strict=True):
        if isinstance(answer, Failed):
            lost[name] = answer.why
    write_whole(folder / "index.html", render(_index(report, files, lost)))


def _write(result: RunResult, path: Path, words: str) -> None:
    write_run_page(result, path, command=words)


def _standing(case: CaseResult) -> str:
    broken = sum(1 for verdict in case.verdicts if verdict.broken)
    return f"{count(broken, 'rule')} broken" if broken else f"{len(case.verdicts)} kept"


def _index(report: CheckReport, files: Mapping[str, str], lost: Mapping[str, str]) -> Page:
    rows = [
        (
            f"no file: {lost[case.name]}" if case.name in lost else files[case.name],
            _standing(case),
            case.name,
            case.text,
        )
        for case in report.cases
    ]
    links = ["" if case.name in lost else files[case.name] for case in report.cases]
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
