"""A check as Markdown, short enough for a comment on a change under review."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from linkloss.campaign.result import CAUTION, CheckReport, Finding
from linkloss.judge import Outcome
from linkloss.report.totals import totals
from linkloss.report.words import (
    by_subject,
    command,
    count,
    desk_sentences,
    finding_sentence,
    outcome_line,
    untested_rules,
)
from linkloss.units import show_duration

MOST_FINDINGS = 20
"""The most findings told in full: the length of a comment is limited, and so is a reader's
patience.
"""
_MARKUP = re.compile(r"([\\`*_{}\[\]()#+!|~<>&$])")
_SIGNS = {Outcome.KEPT: "✓ kept", Outcome.BROKEN: "✗ broken", Outcome.NOT_EXERCISED: "– untested"}


def check_markdown(report: CheckReport) -> str:
    """The verdict, what broke with the commands that show it again, and what was not exercised."""
    parts = [
        f"### linkloss: {_plain(report.vehicle.title)}",
        f"**{_plain(outcome_line(report))}**",
        _figures(report),
        *(_plain(f"On the desk: {sentence}") for sentence in desk_sentences(report)),
        *_findings(report),
        *_table(report),
        *_untested(report),
        *_unjudged(report),
        *(_plain(sentence) for sentence in report.vehicle.brief_notes),
        f"*{_plain(CAUTION)}*",
    ]
    return "\n\n".join(parts) + "\n"


def _figures(report: CheckReport) -> str:
    found = totals(report)
    return (
        f"{count(found.cases, 'case')}, {show_duration(found.simulated_ns)} simulated,"
        f" seed {report.seed}; rules: {found.rules}"
    )


def _findings(report: CheckReport) -> Iterator[str]:
    shown = report.findings[:MOST_FINDINGS]
    if shown:
        yield "\n".join(_finding(report, finding) for finding in shown)
    left = len(report.findings) - len(shown)
    if left:
        yield f"... and {count(left, 'more broken rule')}."


def _finding(report: CheckReport, finding: Finding) -> str:
    sentence = finding_sentence(report.vehicle, finding.verdict, finding.case)
    times = f" (shown by {finding.times} cases)" if finding.times > 1 else ""
    return f"- {_plain(sentence)}{times}  \n  {_code(command(report, finding.case))}"


def _table(report: CheckReport) -> Iterator[str]:
    """The subjects with a broken rule, and the outcomes of all their rules."""
    rules: dict[str, dict[Outcome, list[str]]] = {}
    for entry in report.rules:
        rules.setdefault(entry.subject, {}).setdefault(entry.verdict.outcome, []).append(entry.rule)
    broken = {subject: found for subject, found in rules.items() if Outcome.BROKEN in found}
    if not broken:
        return
    rows = [
        [_plain(subject), *(_plain(", ".join(found.get(outcome, []))) for outcome in _SIGNS)]
        for subject, found in broken.items()
    ]
    heads = ["", *_SIGNS.values()]
    yield "\n".join(_row(cells) for cells in [heads, ["---"] * len(heads), *rows])


def _row(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _untested(report: CheckReport) -> Iterator[str]:
    lines = [
        f"- {_plain(subject)}: {_plain(untested_rules(report, subject, rules))}"
        for subject, rules in by_subject(report.not_exercised).items()
    ]
    yield from _folded(f"Not exercised: {count(len(report.not_exercised), 'rule')}", lines)


def _unjudged(report: CheckReport) -> Iterator[str]:
    lines = [f"- {_plain(entry.what)}: {_plain(entry.reason)}" for entry in report.silent]
    yield from _folded(f"Not judged: {count(len(lines), 'thing')}", lines)


def _folded(head: str, lines: Sequence[str]) -> Iterator[str]:
    if lines:
        summary = f"<details><summary>{head}</summary>"
        yield f"{summary}\n\n" + "\n".join(lines) + "\n\n</details>"


def _plain(text: str) -> str:
    """Text on one line, with all markup escaped."""
    return _MARKUP.sub(r"\\\1", _one_line(text))


def _code(text: str) -> str:
    """A piece of code, quoted with more backticks than it contains."""
    longest = max((len(run) for run in re.findall("`+", text)), default=0)
    fence = "`" * (longest + 1)
    pad = " " if longest else ""
    return f"{fence}{pad}{_one_line(text)}{pad}{fence}"


def _one_line(text: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in " ".join(text.split()))
