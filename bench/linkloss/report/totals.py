"""The figures of a check: totals, what it reached, and the table of subjects and faults.

The screen and the files for programs show the same figures. A check has reached the states of
controllers and programs in which its rules were judged.

The table is *subjects x kinds of faults*, cut into blocks that fit the screen.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from rich.console import Console
from rich.table import Table
from rich.text import Text

from linkloss.campaign.reach import Coverage
from linkloss.campaign.result import Cell, CheckReport, RuleResult
from linkloss.document import Document, Ns
from linkloss.judge import Outcome
from linkloss.problem import printable
from linkloss.report.screen import GAP, STYLES, hanging, heading
from linkloss.report.words import short_margin


class Smallest(Document):
    """The smallest margin of all rules that are kept in every case, and its case."""

    margin_ns: Ns
    subject: str
    rule: str
    case: str


class Totals(Document):
    """A check in figures. Each rule is counted once, by its worst verdict."""

    cases: int
    simulated_ns: Ns
    frames: int
    rules_kept: int
    rules_broken: int
    rules_not_exercised: int
    smallest_margin: Smallest | None

    @property
    def rules(self) -> str:
        """How many rules were kept, broken and not exercised, in words."""
        return (
            f"{self.rules_kept} kept, {self.rules_broken} broken,"
            f" {self.rules_not_exercised} not exercised"
        )


def totals(report: CheckReport) -> Totals:
    """Count a check's cases and rules."""
    outcomes = [entry.verdict.outcome for entry in report.rules]
    return Totals(
        cases=len(report.cases),
        simulated_ns=report.simulated_ns,
        frames=report.tally.frames,
        rules_kept=outcomes.count(Outcome.KEPT),
        rules_broken=outcomes.count(Outcome.BROKEN),
        rules_not_exercised=outcomes.count(Outcome.NOT_EXERCISED),
        smallest_margin=_smallest(report),
    )


def _smallest(report: CheckReport) -> Smallest | None:
    for subject, rule, verdict, case in narrowest(report)[:1]:
        assert verdict.margin_ns is not None
        assert case is not None
        return Smallest(margin_ns=verdict.margin_ns, subject=subject, rule=rule, case=case.name)
    return None


def narrowest(report: CheckReport, below_ns: int | None = None) -> list[RuleResult]:
    """The rules that are kept in every case and have a margin, the smallest first; with a limit,
    only those below it.
    """
    found = [
        entry
        for entry in report.rules
        if entry.verdict.outcome is Outcome.KEPT and entry.verdict.margin_ns is not None
    ]
    if below_ns is not None:
        found = [entry for entry in found if (entry.verdict.margin_ns or 0) < below_ns]
    return sorted(found, key=lambda entry: entry.verdict.margin_ns or 0)


_CONTROLLERS = {"ACTIVE": "error-active", "PASSIVE": "error-passive", "BUS_OFF": "bus-off"}
_PHASES = {
    "running": "running",
    "boot": "booting",
    "rejoining": "just back",
    "hung": "hung",
    "crashed": "crashed",
    "asleep": "asleep",
    "off": "without supply",
}


def combinations(coverage: Coverage) -> int:
    """How many combinations of rule, load, controller state, node phase and faults there were."""
    return sum(point[0] == "rule" for point in coverage.points)


def judged_in(coverage: Coverage) -> dict[tuple[str, str], int]:
    """How many rules were judged in each state of their node (controller state, phase)."""
    rules: dict[tuple[str, str], set[tuple[str, str]]] = defaultdict(set)
    for kind, *rest in coverage.points:
        if kind == "rule":
            rule, subject, _, controller, phase, _ = rest
            place = _CONTROLLERS.get(controller, controller.lower()), _PHASES.get(phase, phase)
            rules[place].add((rule, subject))
    return {place: len(found) for place, found in sorted(rules.items())}


def reach_sentences(coverage: Coverage) -> list[str]:
    """What a check reached, in sentences; none if nothing was reached."""
    if not combinations(coverage):
        return []
    rules: dict[str, dict[str, set[tuple[str, str]]]] = {"controller": {}, "program": {}}
    for kind, *rest in coverage.points:
        if kind == "rule":
            rule, subject, _, controller, phase, _ = rest
            rules["controller"].setdefault(controller, set()).add((rule, subject))
            rules["program"].setdefault(phase, set()).add((rule, subject))
    told = [
        f"{names.get(state, state.lower())} {len(rules[what].get(state, ()))}"
        for what, names in (("controller", _CONTROLLERS), ("program", _PHASES))
        for state in (*names, *sorted(rules[what].keys() - names.keys()))
        if what == "controller" or state in rules[what]
    ]
    many = f"{combinations(coverage):,} combinations of rule, load, controller state, node phase"
    return [
        f"Reached: {many} and faults.",
        f"Rules judged while their node was {', '.join(told)}.",
    ]


_HEADER_WIDTH = 12
MARKS = {Outcome.KEPT: "ok", Outcome.BROKEN: "BAD", Outcome.NOT_EXERCISED: "-"}
LEGEND = (
    ("ok 312ms", "kept, with the smallest margin"),
    ("BAD -4.7s", "broken, and by how much"),
    ("-", "not exercised: no case put a rule to the test"),
)


@dataclass(frozen=True, slots=True)
class Column:
    """One kind of fault: its header, in lines, and how wide its column is."""

    kind: str
    header: str
    width: int


def show_table(console: Console, report: CheckReport) -> None:
    """Show loads first, then requests, notices and nodes, each in as many blocks as needed."""
    for title, subjects in groups(report):
        heading(console, title)
        first = min(max(map(len, subjects)), console.width // 2)
        columns = [_column(report, kind, subjects) for kind in report.faults]
        for index, block in enumerate(blocks(columns, console.width - first)):
            if index:
                console.print()
            console.print(_table(report, subjects, block, first))
    console.print()
    for mark, meaning in LEGEND:
        hanging(console, f"{mark:<11}", meaning)


def groups(report: CheckReport) -> Iterator[tuple[str, list[str]]]:
    """The subjects of a report by kind; empty groups are left out."""
    vehicle = report.vehicle
    signals = [subject for subject in report.subjects if "." in subject]
    known: tuple[tuple[str, Collection[str]], ...] = (
        ("Loads", vehicle.loads),
        ("Requests", vehicle.requests),
        ("Notices", vehicle.notices),
        ("Routes", vehicle.routes),
        ("Messages", vehicle.messages),
        ("Sensors", signals),
        ("Nodes", vehicle.nodes),
    )
    left = list(report.subjects)
    for title, names in known:
        found = [subject for subject in left if subject in names]
        left = [subject for subject in left if subject not in names]
        if found:
            yield title, found
    if left:
        yield "Others", left


def blocks(columns: Sequence[Column], width: int) -> list[list[Column]]:
    """The columns, in order, in blocks of at most ``width`` characters. No block is empty."""
    found: list[list[Column]] = []
    used = width
    for column in columns:
        needed = column.width + GAP
        if found and used + needed <= width:
            found[-1].append(column)
            used += needed
        else:
            found.append([column])
            used = needed
    return found


def cell_text(cell: Cell) -> str:
    """A cell in characters: a mark that needs no colour, and the smallest margin."""
    mark = MARKS[cell.outcome]
    return mark if cell.margin_ns is None else f"{mark} {short_margin(cell.margin_ns)}"


def _column(report: CheckReport, kind: str, subjects: Sequence[str]) -> Column:
    header = folded(kind, _HEADER_WIDTH)
    cells = [cell_text(report.cells[subject, kind]) for subject in subjects]
    return Column(kind, header, max(map(len, [*header.split("\n"), *cells])))


def folded(kind: str, width: int) -> str:
    """The name of a kind of fault in lines, broken after ``_`` and ``+``."""
    ends = [match.end() for match in re.finditer(r"[_+]", kind)]
    lines = [""]
    for start, end in pairwise([0, *ends, len(kind)]):
        part = kind[start:end]
        if lines[-1] and len(lines[-1]) + len(part) > width:
            lines.append("")
        lines[-1] += part
    return "\n".join(lines)


def _table(
    report: CheckReport, subjects: Sequence[str], block: Sequence[Column], first: int
) -> Table:
    table = Table(box=None, padding=(0, GAP, 0, 0), pad_edge=False, header_style="bold")
    table.add_column("", width=first, overflow="fold")
    for column in block:
        table.add_column(Text(column.header), width=column.width, no_wrap=True, vertical="bottom")
    for subject in subjects:
        cells = [report.cells[subject, column.kind] for column in block]
        table.add_row(Text(printable(subject)), *(_styled(cell) for cell in cells))
    return table


def _styled(cell: Cell) -> Text:
    return Text(cell_text(cell), style=STYLES[cell.outcome.value])
