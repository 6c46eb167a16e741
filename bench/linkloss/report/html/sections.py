"""The sections of a page: what a result is based on, the tables of fuses, what each load must do.

In a table of fuses, a whole fuse is *kept*, a blown one is *broken*, and an empty holder was not
exercised.

The basis of a result is what was tried, with which versions, from which files.

The load sheets say in words what each load must do. They are the part of a report that a builder
signs for.
"""

from __future__ import annotations

import platform
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from hashlib import sha256
from importlib.metadata import PackageNotFoundError, version
from inspect import getsourcefile, isclass
from pathlib import Path

from linkloss.campaign.result import Cell, CheckReport, RunResult
from linkloss.faults.catalogue import catalogue
from linkloss.judge.verdict import Outcome, Verdict, smallest
from linkloss.report.html.sheet import (
    Block,
    Column,
    Digest,
    Fact,
    Fuse,
    LoadSheet,
    Matrix,
    Row,
    Untested,
)
from linkloss.report.machine import content_now
from linkloss.report.totals import groups, totals
from linkloss.report.words import by_subject, count, rule_words, short_margin
from linkloss.units import show_duration
from linkloss.vehicle.expression import Condition
from linkloss.vehicle.load import LoadTable, state_text
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.programs import Unread

TOGETHER = "all of it together"
MODEL = (
    "Frames are exact to the bit and arbitrated as a whole; a supply is ideal unless the vehicle"
    " says how it is fed. What the model leaves out was not tested, whatever the table says."
)


def check_facts(report: CheckReport) -> Iterator[Fact]:
    """What a check tried, and how."""
    found = totals(report)
    planned = report.planned or found.cases
    cases = count(found.cases, "case")
    if found.cases < planned:
        cases = f"{found.cases} of {count(planned, 'case')}"
    kinds = [kind for kind in report.faults if kind != "none"]
    situations = {situation for situation, _ in report.tally.tried}
    yield Fact("tried", f"{cases}, {show_duration(found.simulated_ns)} simulated")
    yield Fact("kinds of faults", str(len(kinds)))
    yield Fact("situations", f"{len(situations)} of {len(report.vehicle.situations)}")
    yield Fact("rules", found.rules)
    if found.smallest_margin is not None:
        least = found.smallest_margin
        text = f"{show_duration(least.margin_ns)}: {least.subject}, {least.rule}"
        yield Fact("smallest margin", text)
    yield Fact("seed", str(report.seed))
    yield from version_facts()


def run_facts(result: RunResult) -> Iterator[Fact]:
    """What a run consisted of."""
    scenario = result.scenario
    times = Counter(fault.text for fault in result.recording.faults)
    faults = [text if n == 1 else f"{text} ({n} times)" for text, n in times.items()]
    outcomes = [verdict.outcome for verdict in result.verdicts]
    rules = ", ".join(f"{outcomes.count(outcome)} {outcome.value}" for outcome in Outcome)
    yield Fact("scenario", scenario.name)
    yield Fact("situation", scenario.situation or "none of the vehicle's")
    yield Fact("simulated", show_duration(result.recording.end_ns))
    yield Fact("faults", "; ".join(faults) or "none")
    yield Fact("rules", rules)
    yield Fact("frames", str(len(result.recording.frames)))
    yield Fact("seed", str(scenario.seed))
    yield from version_facts()


def version_facts() -> Iterator[Fact]:
    """The versions with which a result was made."""
    known = [_version(name) for name in ("linkloss", "python-can", "cantools")]
    yield Fact("versions", ", ".join([*known, f"Python {platform.python_version()}"]))


def _version(name: str) -> str:
    try:
        return f"{name} {version(name)}"
    except PackageNotFoundError:
        return f"{name}, not installed"


def digests(vehicle: Vehicle) -> tuple[Digest, ...]:
    """The vehicle's file, its DBC and its programs with their SHA-256, and last a digest over these
    and everything that the programs may import from their folders.
    """
    folder = vehicle.path.resolve().parent
    found = {vehicle.path, *vehicle.dbc_paths}
    sources = map(getsourcefile, filter(isclass, vehicle.programs.values()))
    found.update(Path(source) for source in sources if source is not None)
    unread = (program for program in vehicle.programs.values() if isinstance(program, Unread))
    found.update(program.path for program in unread if program.kept)
    found.update(vehicle.path.parent / name for node in vehicle.nodes.values() for name in node.c)
    files = {path.resolve() for path in found if path.is_file()}
    lines = [Digest(_called(path, folder), sha256(path.read_bytes()).hexdigest()) for path in files]
    together = content_now(vehicle)
    return (*sorted(lines), *([Digest(TOGETHER, together)] if together else []))


def _called(path: Path, folder: Path) -> str:
    """A name without a path on this machine: relative to the vehicle's folder, or with its own
    folder.
    """
    if path.is_relative_to(folder):
        return path.relative_to(folder).as_posix()
    return f"{path.parent.name}/{path.name}"


def load_sheets(vehicle: Vehicle, verdicts: Iterable[Verdict]) -> tuple[LoadSheet, ...]:
    """A sheet for each load, with its rules counted by outcome."""
    outcomes: dict[str, Counter[Outcome]] = {}
    for verdict in verdicts:
        outcomes.setdefault(verdict.subject, Counter())[verdict.outcome] += 1
    return tuple(
        _sheet(vehicle, name, load, outcomes.get(name, Counter()))
        for name, load in vehicle.loads.items()
    )


def _sheet(vehicle: Vehicle, name: str, load: LoadTable, outcomes: Counter[Outcome]) -> LoadSheet:
    number = {outcome: outcomes.get(outcome, 0) for outcome in Outcome}
    parts = [f"{count} {outcome.value}" for outcome, count in number.items() if count]
    state = "kept" if number[Outcome.KEPT] and not number[Outcome.NOT_EXERCISED] else "untested"
    return LoadSheet(
        name=name,
        about=load.about,
        feeds="; ".join(_feeds(load)),
        in_service="; ".join(_in_service(vehicle, load)),
        link_lost="; ".join(_link_lost(load)) or "needs no link",
        restart="; ".join(_restart(load)),
        bounds="; ".join(_bounds(load)),
        standing=", ".join(parts) or "no rule",
        state="broken" if number[Outcome.BROKEN] else state,
    )


def _feeds(load: LoadTable) -> Iterator[str]:
    output = f" (output {load.output})" if load.output else ""
    yield f"node {load.node}{output}"
    if load.fuse is not None:
        yield f"fuse {load.fuse:g} A"
    if not load.safety:
        yield "not relevant to safety"


def _in_service(vehicle: Vehicle, load: LoadTable) -> Iterator[str]:
    if load.request is not None:
        yield f"follows {load.request.text} within {show_duration(load.latency)}"
        asked = [name for name in load.request.names if name in vehicle.requests]
        for name in asked:
            who = "which asks for it" if name == load.request.text else f"{name} is set"
            yield f"{who} while {vehicle.requests[name].follows.text}"
    if load.local is not None:
        word = "follows its own input" if load.local_use == "follows" else "on too while"
        yield f"{word} {load.local.text}"
    if load.level is not None:
        yield f"at the level of {load.level}"
    if load.flash is not None:
        low, high = load.flash.per_minute
        partner = f", in step with {load.flash.in_step_with}" if load.flash.in_step_with else ""
        yield f"flashes {low:g} to {high:g} times per minute{partner}"


def _link_lost(load: LoadTable) -> Iterator[str]:
    if load.request is None or load.on_stale is None:
        return
    after = "" if load.stale_after is None else f" {show_duration(load.stale_after)} without a"
    state = "holds its state" if load.on_stale == "hold" else state_text(load.on_stale)
    if isinstance(load.on_stale, Condition):
        state = f"on while {state}"
    yield f"{state}{f' after{after} good message' if after else ''}"
    if load.hold_for is not None and load.then is not None:
        yield f"then {state_text(load.then)} after {show_duration(load.hold_for)}"
    if load.link is not None:
        yield f"lost when {load.link} is silent"
    if load.bus_off == "lost":
        yield "lost at once when its node goes bus-off"
    yield f"follows again within {show_duration(load.rejoin)}"


def _restart(load: LoadTable) -> Iterator[str]:
    if load.on_reset is not None:
        yield f"{state_text(load.on_reset)} until asked"
    yield f"{load.hardware_default} by hardware"
    if load.dark_limit is not None:
        yield f"dark for {show_duration(load.dark_limit)} at most"
    if load.survives_reset:
        yield "remembers its request"
    if load.latch:
        yield "stays off until its request was off"


def _bounds(load: LoadTable) -> Iterator[str]:
    for rule in load.never:
        yield f"never {rule.state} while {rule.when.text}"
    if load.trip is not None:
        yield f"off from {load.trip.when.text} until {load.trip.off_until.text}"
    if load.longest_on is not None:
        yield f"on for {show_duration(load.longest_on)} at most"
    if load.shortest_off is not None:
        yield f"off for {show_duration(load.shortest_off)} at least"
    if load.tries is not None:
        most, pause = load.tries.most, show_duration(load.tries.pause)
        yield f"tried {most} times, {pause} apart, then {load.tries.then}"


def untested_lines(vehicle: Vehicle, places: Iterable[tuple[str, str]]) -> tuple[Untested, ...]:
    """Rules that were not exercised, by subject, with what is declared for them."""
    told = ((subject, rule_words(vehicle, subject, rule)) for subject, rule in places)
    return tuple(Untested(subject, tuple(rules)) for subject, rules in by_subject(told).items())


MOST_COLUMNS = 32
"""Beyond this many columns, combinations of faults are merged, to fit a screen or a sheet of
paper.
"""
STATES = {Outcome.KEPT: "kept", Outcome.BROKEN: "broken", Outcome.NOT_EXERCISED: "untested"}
Links = Mapping[tuple[str, str], str]
"""Anchors of findings, by (subject, rule)."""


def check_matrix(report: CheckReport, links: Links) -> Matrix:
    """Subjects x kinds of faults, what broke first. If combinations of faults make too many
    columns, those that contain the same kind are merged into one column, which shows the worst of
    them and the smallest margin.
    """
    columns = list(_columns(report))
    blocks = tuple(
        Block(title, tuple(_row(report, subject, columns, links) for subject in subjects))
        for title, subjects in groups(report)
    )
    heads = tuple(Column(title, about) for title, about, _ in columns)
    return _broken_first(Matrix("kind of fault", heads, blocks))


def _columns(report: CheckReport) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """For each column its title, an explanation, and the kinds of faults that it stands for."""
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
    """Several cells as one: broken before kept before not exercised, with the smallest margin."""
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
    """Subjects x rules of one run, what broke first. The cell is blank if a subject does not have
    the rule.
    """
    by_place = {(verdict.subject, verdict.rule): verdict for verdict in result.verdicts}
    rules = list(dict.fromkeys(verdict.rule for verdict in result.verdicts))
    vehicle = result.scenario.vehicle
    sorts: tuple[tuple[str, Iterable[str]], ...] = (
        ("Loads", vehicle.loads),
        ("Requests", vehicle.requests),
        ("Notices", vehicle.notices),
        ("Routes", vehicle.routes),
        ("Nodes", vehicle.nodes),
    )

    def row(subject: str) -> Row:
        verdicts = (by_place.get((subject, rule)) for rule in rules)
        return Row(subject, tuple(_verdict_fuse(verdict, links) for verdict in verdicts))

    blocks = [Block(title, tuple(map(row, _with_rules(names, by_place)))) for title, names in sorts]
    heads = tuple(Column(rule, f"the rule {rule}") for rule in rules)
    return _broken_first(Matrix("rule", heads, tuple(block for block in blocks if block.rows)))


def _with_rules(names: Iterable[str], by_place: Mapping[tuple[str, str], Verdict]) -> list[str]:
    known = {subject for subject, _ in by_place}
    return [name for name in names if name in known]


def _verdict_fuse(verdict: Verdict | None, links: Links) -> Fuse:
    if verdict is None:
        return Fuse("none")
    margin = "" if verdict.margin_ns is None else short_margin(verdict.margin_ns)
    anchor = links.get((verdict.subject, verdict.rule), "") if verdict.broken else ""
    return Fuse(STATES[verdict.outcome], margin, (verdict.rule,), (anchor,) if anchor else ())


def _broken_first(matrix: Matrix) -> Matrix:
    """The same table with broken columns, blocks and rows first, otherwise in the same order."""
    rows = [row for block in matrix.blocks for row in block.rows]
    columns = range(len(matrix.columns))
    kept = [not any(row.fuses[column].state == "broken" for row in rows) for column in columns]
    order = sorted(columns, key=lambda column: kept[column])
    blocks = [
        Block(block.title, tuple(sorted((_only(row, order) for row in block.rows), key=_is_kept)))
        for block in matrix.blocks
    ]
    blocks.sort(key=lambda block: all(map(_is_kept, block.rows)))
    return Matrix(matrix.across, tuple(matrix.columns[at] for at in order), tuple(blocks))


def worst_part(matrix: Matrix) -> Matrix | None:
    """The broken rows and columns of a table; None if nothing broke."""
    blocks = [
        Block(block.title, tuple(row for row in block.rows if not _is_kept(row)))
        for block in matrix.blocks
    ]
    broken = [row for block in blocks for row in block.rows]
    places = [
        column
        for column in range(len(matrix.columns))
        if any(row.fuses[column].state == "broken" for row in broken)
    ]
    if not broken:
        return None
    return Matrix(
        matrix.across,
        tuple(matrix.columns[place] for place in places),
        tuple(
            Block(title, tuple(_only(row, places) for row in rows))
            for title, rows in blocks
            if rows
        ),
    )


def _is_kept(row: Row) -> bool:
    return all(fuse.state != "broken" for fuse in row.fuses)


def _only(row: Row, columns: Iterable[int]) -> Row:
    return Row(row.subject, tuple(row.fuses[column] for column in columns))


def tried_matrix(report: CheckReport) -> Matrix | None:
    """How many cases each situation had with each kind of fault."""
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
