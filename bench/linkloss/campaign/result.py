"""The results of one scenario and of a whole check. Typed, plain, and the same everywhere."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import Field, TypeAdapter
from pydantic.json_schema import SkipJsonSchema

from linkloss.campaign.reach import Coverage, Point, Space, reached
from linkloss.document import Document, Ns, Stored, columns
from linkloss.faults.catalogue import catalogue
from linkloss.judge import Outcome, Unjudged, Verdict
from linkloss.judge.verdict import COLUMNS, Cause, smallest
from linkloss.problem import EXIT_BAD_INPUT, EXIT_BROKEN, EXIT_KEPT, EXIT_NOT_EXERCISED
from linkloss.recording import InputValue, Recording
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle

CAUTION = (
    "A bench result is not an approval. Local rules and licensed practice decide what may go on"
    " the road. Test the real car standing still, wheels chocked, clear of moving parts."
)


CAUSES = [None, *(cause.name.lower() for cause in Cause)]


class VerdictFields(Document):
    """A verdict in JSON, with the names of its fields."""

    subject: str
    rule: str
    outcome: Outcome
    margin_ns: Ns | None
    at_ns: Ns | None
    wrong_for_ns: Ns | None
    cause: Annotated[str | None, Field(json_schema_extra={"enum": CAUSES})]
    """what was wrong"""
    observed: str
    """what was there"""
    allowed: str
    """what was to be there"""
    about: list[str]
    """what else its words name"""
    more: int
    """how many more of the kind"""
    culprit: str
    """the node to look at"""
    text: str
    """all of it in words"""
    declared: str
    """the rule with what the vehicle declares for it"""


_CELLS: Any = tuple(
    Annotated[cell.annotation, cell] for name, cell in VerdictFields.model_fields.items()
    if name in COLUMNS
)  # fmt: skip
VerdictRow = Annotated[Verdict, Stored(tuple[_CELLS], Verdict.row, Verdict.from_row, plain=True)]
"""The same, as one row of a table."""


class BrokenFields(VerdictFields):
    """A broken rule of a run."""

    sentence: str
    """the finding in plain words"""


class Expected(Document):
    """An expectation of a scenario, and what happened."""

    load: str
    state: Literal["off", "on", "flash"]
    from_ns: Ns
    to_ns: Ns
    outcome: Outcome
    at_ns: Ns | None
    observed: str
    text: str


class Real(Document):
    """The nodes that were real."""

    nodes: tuple[str, ...]
    delay_ns: Ns
    """the longest that a frame takes between the bus and a real node, one way"""
    doubt: str
    """why nothing can be said of them, if that is so"""


class ResultDocument(Document):
    """What the results of a check and of a run have in common in JSON."""

    format: str
    version: Literal[1] = 1
    vehicle: str
    """title of the vehicle"""
    vehicle_file: str
    content: str | None = None
    """digest of the vehicle's files"""
    seed: int
    exit_code: Annotated[int, Field(json_schema_extra={"enum": [0, 1, 2, 3]})]
    """as the command returns it"""
    caution: str
    """what a result is not"""


class RunDocument(ResultDocument):
    """The result of a run in JSON, without the recording, whose keys stand beside these."""

    format: Literal["linkloss run"] = "linkloss run"
    exit_code: Annotated[int, Field(json_schema_extra={"enum": [0, 1, 3]})]
    """as the command returns it"""
    scenario: str
    """name of the file without its extension"""
    title: str
    situation: str
    beginning: dict[str, InputValue]
    """the inputs at power-up"""
    real: Real | None
    """the nodes that were real, and the way to them"""
    broken: list[BrokenFields]
    verdict_columns: list[str] = columns(COLUMNS)
    verdicts: list[VerdictRow]
    expected: list[Expected]


@dataclass(frozen=True, slots=True)
class RunResult:
    """One scenario, run and judged. ``expected`` holds the verdicts on its own expectations."""

    scenario: Scenario
    recording: Recording
    verdicts: tuple[Verdict, ...]
    expected: tuple[Verdict, ...]

    @property
    def broken(self) -> tuple[Verdict, ...]:
        """Everything that was broken, expectations included."""
        return tuple(verdict for verdict in (*self.verdicts, *self.expected) if verdict.broken)

    @property
    def exit_code(self) -> int:
        """1 if something broke, 3 if no rule or expectation was exercised, else 0."""
        if self.broken:
            return EXIT_BROKEN
        tested = any(
            verdict.outcome is Outcome.KEPT for verdict in (*self.verdicts, *self.expected)
        )
        return EXIT_KEPT if tested else EXIT_NOT_EXERCISED


def _exercised_rows(verdicts: Iterable[Verdict]) -> list[list[Any]]:
    return [found.row() for found in verdicts if found.outcome is not Outcome.NOT_EXERCISED]


@dataclass(frozen=True, slots=True)
class CaseResult:
    """One case of a check: its name, from which it can run again, and its verdicts.

    ``fault`` is the kind of fault, the column of the table: ``none``, ``cut``, ...; kinds that act
    together are joined by ``+``. ``verdicts`` are those on the rules that were exercised; the case
    says nothing about any others. ``text`` says in plain words what happened, and ``fault_ns`` when
    the first fault came. ``frames`` counts the frames on the bus. ``points`` are what the case
    reached, see :mod:`linkloss.campaign.reach`.
    """

    name: str
    situation: str
    fault: str
    text: str
    fault_ns: Ns | None
    simulated_ns: Ns
    frames: int
    verdicts: Annotated[
        tuple[Verdict, ...],
        Stored(tuple[VerdictRow, ...], _exercised_rows, plain=True),
        Field(description="of the rules that it put to the test"),
    ]
    points: SkipJsonSchema[tuple[Point, ...]] = ()

    @property
    def is_broken(self) -> bool:
        """Whether it broke a rule."""
        return any(verdict.broken for verdict in self.verdicts)


@cache
def case_form() -> TypeAdapter[CaseResult]:
    """The form of a case in JSON, for reading and writing; what it reached is left out."""
    return TypeAdapter(CaseResult)


class Cell(NamedTuple):
    """One cell of the table: the worst outcome of a subject under a kind of fault."""

    outcome: Outcome
    margin_ns: int | None
    rules: tuple[str, ...]
    """The broken rules; if there are none, the exercised ones."""


class RuleResult(NamedTuple):
    """A declared rule over all cases; ``case`` is the one with the worst verdict."""

    subject: str
    rule: str
    verdict: Verdict
    case: CaseResult | None


class Finding(NamedTuple):
    """A broken rule and the first case that shows it; ``times`` counts the cases that do."""

    verdict: Verdict
    case: CaseResult
    times: int


@dataclass(frozen=True, slots=True)
class DeskHead:
    """What stands in the head of a check of a real node: the options with which a case runs there
    again, and sentences on how it was judged.
    """

    options: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class CheckReport:
    """All cases of a check, and the results that follow from them.

    ``cases`` can be read again and again, but need not be in memory: see
    :class:`linkloss.campaign.store.CaseStore`. Everything below takes one pass over them.
    ``planned`` is the number of planned cases; fewer ran if the check was interrupted. ``space``
    says what they were chosen from, and what was left out. ``drive`` is the log whose windows were
    the situations, if any; ``logged`` names the nodes whose frames come from it, if they were
    given. ``unjudged`` is what no rule judges, or no fault can try, in this vehicle. ``desk``
    tells how it went, if a node was real and on the desk.
    """

    vehicle: Vehicle
    seed: int
    declared: tuple[tuple[str, str], ...]
    cases: Collection[CaseResult]
    planned: int | None = None
    space: Space | None = None
    drive: Path | None = None
    logged: tuple[str, ...] | None = None
    unjudged: tuple[Unjudged, ...] = ()
    desk: DeskHead | None = None

    @cached_property
    def tally(self) -> Tally:
        """The cases counted, with the worst verdicts."""
        return Tally(self.cases)

    @cached_property
    def subjects(self) -> tuple[str, ...]:
        """Everything that has rules, in the order of the vehicle file, then whatever else was
        found broken.
        """
        named = [subject for subject, _ in self.declared]
        named += [subject for subject, _ in self.tally.worst]
        return tuple(dict.fromkeys(named))

    @cached_property
    def faults(self) -> tuple[str, ...]:
        """The kinds of faults that were tried: none, then in the order of the catalogue, then the
        kinds that act together.
        """
        order = ["none", *catalogue()]
        alone = [kind for kind in order if kind in self.tally.faults]
        return (*alone, *sorted(self.tally.faults.difference(alone)))

    @cached_property
    def cells(self) -> Mapping[tuple[str, str], Cell]:
        """The table: (subject, kind of fault) -> cell."""
        untested = Cell(Outcome.NOT_EXERCISED, None, ())
        return {
            (subject, fault): self.tally.cells.get((subject, fault), untested)
            for subject in self.subjects
            for fault in self.faults
        }

    @cached_property
    def rules(self) -> tuple[RuleResult, ...]:
        """Every declared rule with its worst verdict, then broken rules that are not declared."""
        found = self.tally.worst
        return tuple(
            RuleResult(*place, *found[place])
            if place in found
            else RuleResult(*place, Verdict(*place, Outcome.NOT_EXERCISED), None)
            for place in dict.fromkeys([*self.declared, *found])
        )

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """The broken rules, each with the case with the fewest faults, then the shortest time from
        fault to break.
        """
        return tuple(self.tally.findings.values())

    @property
    def not_exercised(self) -> tuple[tuple[str, str], ...]:
        """The declared rules that no case exercised."""
        return tuple(
            (entry.subject, entry.rule)
            for entry in self.rules
            if entry.verdict.outcome is Outcome.NOT_EXERCISED
        )

    @property
    def silent(self) -> tuple[Unjudged, ...]:
        """What is unjudged without an entry for it in the vehicle file."""
        return tuple(entry for entry in self.unjudged if not entry.allowed)

    @property
    def simulated_ns(self) -> int:
        """Simulated time of all cases together, in ns."""
        return self.tally.simulated_ns

    @property
    def exit_code(self) -> int:
        """0 only if every declared rule was exercised and kept; 1 if one broke; 3 if none broke but
        one was not exercised, or something is unjudged that the vehicle file does not list; 2 if
        there was no case or no rule.
        """
        if not self.cases or not self.declared:
            return EXIT_BAD_INPUT
        if self.findings:
            return EXIT_BROKEN
        return EXIT_NOT_EXERCISED if self.not_exercised or self.silent else EXIT_KEPT


class Tally:
    """The results of many cases, gathered in one pass and in memory that does not grow with them.

    ``tried`` counts the cases by situation and kind of fault.
    """

    def __init__(self, cases: Iterable[CaseResult]) -> None:
        self.simulated_ns = 0
        self.frames = 0
        self.faults: set[str] = set()
        self.tried: dict[tuple[str, str], int] = {}
        self.cells: dict[tuple[str, str], Cell] = {}
        self.worst: dict[tuple[str, str], tuple[Verdict, CaseResult]] = {}
        self.findings: dict[tuple[str, str], Finding] = {}
        self.coverage = Coverage()
        for case in cases:
            self._add(case)

    def _add(self, case: CaseResult) -> None:
        self.simulated_ns += case.simulated_ns
        self.frames += case.frames
        self.faults.add(case.fault)
        self.coverage.add(reached(case.points, case.verdicts))
        drawer = (case.situation, case.fault)
        self.tried[drawer] = self.tried.get(drawer, 0) + 1
        for verdict in case.verdicts:
            if verdict.outcome is Outcome.NOT_EXERCISED:
                continue
            self._cell((verdict.subject, case.fault), verdict)
            place = (verdict.subject, verdict.rule)
            known = self.worst.get(place)
            if known is None or _worse(verdict, known[0]):
                self.worst[place] = (verdict, case)
            if verdict.broken:
                self._find(place, verdict, case)

    def _cell(self, place: tuple[str, str], verdict: Verdict) -> None:
        known = self.cells.get(place)
        if known is None or (verdict.broken and known.outcome is not Outcome.BROKEN):
            self.cells[place] = Cell(verdict.outcome, verdict.margin_ns, (verdict.rule,))
        elif verdict.outcome is known.outcome:
            margin_ns = smallest((known.margin_ns, verdict.margin_ns))
            rules = known.rules
            if verdict.rule not in rules:
                rules = (*rules, verdict.rule)
            self.cells[place] = Cell(known.outcome, margin_ns, rules)

    def _find(self, place: tuple[str, str], verdict: Verdict, case: CaseResult) -> None:
        known = self.findings.get(place)
        times = 1 if known is None else known.times + 1
        if known is not None and _simplicity(known.verdict, known.case) <= _simplicity(
            verdict, case
        ):
            verdict, case = known.verdict, known.case
        self.findings[place] = Finding(verdict, case, times)


def _worse(verdict: Verdict, known: Verdict) -> bool:
    if verdict.outcome is not known.outcome:
        return verdict.broken
    if verdict.margin_ns is None:
        return False
    return known.margin_ns is None or verdict.margin_ns < known.margin_ns


def _simplicity(verdict: Verdict, case: CaseResult) -> tuple[int, int, str]:
    """Fewer faults first, then the smallest time from fault to break, then the name."""
    since_ns = (verdict.at_ns or 0) - (case.fault_ns or 0)
    return (case.fault.count("+"), since_ns if since_ns >= 0 else 1 << 62, case.name)
