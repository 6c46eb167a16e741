"""The tables of fuses: a fuse that holds is *kept*, a blown one is *broken*, an empty holder was
never put to the test.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from linkloss.campaign.result import Cell, CheckReport, RunResult
from linkloss.faults.catalogue import catalogue
from linkloss.judge.verdict import Outcome, Verdict, smallest
from linkloss.report.html.sheet import Block, Column, Fuse, Matrix, Row
from linkloss.report.table import groups
from linkloss.report.words import count, short_margin

MOST_COLUMNS = 32
"""Kinds of faults that stand alone; more would fit no screen and no sheet of paper."""
STATES = {Outcome.KEPT: "kept", Outcome.BROKEN: "broken", Outcome.NOT_EXERCISED: "untested"}
Links = Mapping[tuple[str, str], str]
"""Anchors of findings, by (subject, rule)."""


def check_matrix(report: CheckReport, links: Links) -> Matrix:
    """Subjects x kinds of faults. Where faults that act together make too many columns, those
    that hold one kind are one column: the worst of them, with the smallest margin.
    """
    columns = list(_columns(report))
    blocks = tuple(
        Block(title, tuple(_row(report, subject, columns, links) for subject in subjects))
        for title, subjects in groups(report)
    )
    heads = tuple(Column(title, about) for title, about, _ in columns)
    return Matrix("kind of fault", heads, blocks)


def _columns(report: CheckReport) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """The title of a column, a word on it, and the kinds of faults that it stands for."""
    alone = [kind for kind in report.faults if "+" not in kind]
    together = [kind for kind in report.faults if "+" in kind]
    for kind in alone:
        yield kind, "no fault at all" if kind == "none" else f"cases with the fault {kind}", (kind,)
    if len(report.faults) <= MOST_COLUMNS:
        for kind in together:
            yield kind, f"cases with {kind.replace('+', ' and ')}", (kind,)
        return
    parts = {part for kind in together for part in kind.split("+")}
    known = [kind for kind in catalogue() if kind in parts]
    for part in [*known, *sorted(parts.difference(known))]:
        holding = tuple(kind for kind in together if part in kind.split("+"))
        about = f"cases with {part} and another fault: {count(len(holding), 'combination')}"
        yield f"{part}+any", about, holding


def _row(
    report: CheckReport,
    subject: str,
    columns: Sequence[tuple[str, str, tuple[str, ...]]],
    links: Links,
) -> Row:
    cells = (worst_cell(report.cells[subject, kind] for kind in kinds) for _, _, kinds in columns)
    return Row(subject, tuple(_fuse(subject, cell, links) for cell in cells))


def worst_cell(cells: Iterable[Cell]) -> Cell:
    """Several cells as one: broken before kept before not exercised, the smallest margin."""
    found = list(cells)
    for outcome in (Outcome.BROKEN, Outcome.KEPT):
        alike = [cell for cell in found if cell.outcome is outcome]
        if alike:
            rules = dict.fromkeys(rule for cell in alike for rule in cell.rules)
            return Cell(outcome, smallest(cell.margin_ns for cell in alike), tuple(rules))
    return Cell(Outcome.NOT_EXERCISED, None, ())


def _fuse(subject: str, cell: Cell, links: Links) -> Fuse:
    margin = "" if cell.margin_ns is None else short_margin(cell.margin_ns)
    found: tuple[str, ...] = ()
    if cell.outcome is Outcome.BROKEN:
        anchors = (links.get((subject, rule), "") for rule in cell.rules)
        found = tuple(dict.fromkeys(anchor for anchor in anchors if anchor))
    return Fuse(STATES[cell.outcome], margin, cell.rules, found)


def run_matrix(result: RunResult, links: Links) -> Matrix:
    """Subjects x rules of one run; a rule that a subject does not have is left blank."""
    by_place = {(verdict.subject, verdict.rule): verdict for verdict in result.verdicts}
    rules = list(dict.fromkeys(verdict.rule for verdict in result.verdicts))
    vehicle = result.scenario.vehicle
    sorts: tuple[tuple[str, Iterable[str]], ...] = (
        ("Loads", vehicle.loads),
        ("Requests", vehicle.requests),
        ("Notices", vehicle.notices),
        ("Nodes", vehicle.nodes),
    )

    def row(subject: str) -> Row:
        verdicts = (by_place.get((subject, rule)) for rule in rules)
        return Row(subject, tuple(_verdict_fuse(verdict, links) for verdict in verdicts))

    blocks = [Block(title, tuple(map(row, _with_rules(names, by_place)))) for title, names in sorts]
    heads = tuple(Column(rule, f"the rule {rule}") for rule in rules)
    return Matrix("rule", heads, tuple(block for block in blocks if block.rows))


def _with_rules(names: Iterable[str], by_place: Mapping[tuple[str, str], Verdict]) -> list[str]:
    known = {subject for subject, _ in by_place}
    return [name for name in names if name in known]


def _verdict_fuse(verdict: Verdict | None, links: Links) -> Fuse:
    if verdict is None:
        return Fuse("none")
    margin = "" if verdict.margin_ns is None else short_margin(verdict.margin_ns)
    anchor = links.get((verdict.subject, verdict.rule), "") if verdict.broken else ""
    return Fuse(STATES[verdict.outcome], margin, (verdict.rule,), (anchor,) if anchor else ())


def tried_matrix(report: CheckReport) -> Matrix | None:
    """How many cases there were of each situation with each kind of fault."""
    numbers = report.tally.tried
    situations = list(dict.fromkeys(situation for situation, _ in numbers))
    if not situations:
        return None
    columns = list(_columns(report))
    rows = tuple(
        Row(situation, tuple(_tried(numbers, situation, kinds) for _, _, kinds in columns))
        for situation in situations
    )
    heads = tuple(Column(title, about) for title, about, _ in columns)
    return Matrix("kind of fault", heads, (Block("Situations", rows),))


def _tried(numbers: Mapping[tuple[str, str], int], situation: str, kinds: Sequence[str]) -> Fuse:
    cases = sum(numbers.get((situation, kind), 0) for kind in kinds)
    return Fuse("tried", str(cases)) if cases else Fuse("none")
