"""The table *subjects x kinds of faults*, cut into blocks that fit the screen."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from rich.console import Console
from rich.table import Table
from rich.text import Text

from linkloss.campaign.result import Cell, CheckReport
from linkloss.judge import Outcome
from linkloss.report.screen import STYLES, hanging, heading, printable
from linkloss.report.words import short_margin

GAP = 2
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
    """Loads first, then requests, notices and nodes; each in as many blocks as it takes."""
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
    """The subjects of a report by what they are; empty groups are left out."""
    vehicle = report.vehicle
    signals = [subject for subject in report.subjects if "." in subject]
    known: tuple[tuple[str, Collection[str]], ...] = (
        ("Loads", vehicle.loads),
        ("Requests", vehicle.requests),
        ("Notices", vehicle.notices),
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
    """The columns, in order, in blocks of at most ``width`` characters; none without a column."""
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
    """The name of a kind of fault in lines, broken behind ``_`` and ``+``."""
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
