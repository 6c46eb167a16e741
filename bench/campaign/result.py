"""What came out: of one scenario, and of a whole check. Typed, plain, and the same everywhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from bench.faults.catalogue import catalogue
from bench.judge import Outcome, Verdict, worst
from bench.judge.verdict import smallest
from bench.model.loading import Vehicle
from bench.recording import Recording
from bench.scenario import Scenario

EXIT_KEPT, EXIT_BROKEN, EXIT_BAD_INPUT, EXIT_NOT_EXERCISED = 0, 1, 2, 3

CAUTION = (
    "A bench result is not an approval. Local rules and licensed practice decide what may go on"
    " the road. Test the real car standing still, wheels chocked, clear of moving parts."
)


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
        """1 when something broke, 3 when nothing at all was put to the test, else 0."""
        if self.broken:
            return EXIT_BROKEN
        tested = any(
            verdict.outcome is Outcome.KEPT for verdict in (*self.verdicts, *self.expected)
        )
        return EXIT_KEPT if tested else EXIT_NOT_EXERCISED


@dataclass(frozen=True, slots=True)
class CaseResult:
    """One case of a check: its name, which reruns it, and its verdicts.

    ``fault`` is the kind of fault, the column of the table: ``none``, ``cut``, ...; kinds that
    act together are joined by ``+``. ``verdicts`` are those on rules that were put to the test;
    of all others the case has nothing to say. ``text`` says in plain words what happened, and
    ``fault_ns`` when the first fault came. ``frames`` counts the frames on the wire.
    """

    name: str
    situation: str
    fault: str
    text: str
    fault_ns: int | None
    simulated_ns: int
    frames: int
    verdicts: tuple[Verdict, ...]


class Cell(NamedTuple):
    """One cell of the table: the worst outcome of a subject under a kind of fault."""

    outcome: Outcome
    margin_ns: int | None
    rules: tuple[str, ...]
    """The broken rules, or else the exercised ones."""


class RuleResult(NamedTuple):
    """A declared rule over all cases; ``case`` is the one that the verdict comes from."""

    subject: str
    rule: str
    verdict: Verdict
    case: CaseResult | None


class Finding(NamedTuple):
    """A broken rule and the first case that shows it; ``times`` counts the cases that do."""

    verdict: Verdict
    case: CaseResult
    times: int


@dataclass(frozen=True)
class CheckReport:
    """All cases of a check and what they amount to."""

    vehicle: Vehicle
    seed: int
    declared: tuple[tuple[str, str], ...]
    cases: tuple[CaseResult, ...]

    @cached_property
    def subjects(self) -> tuple[str, ...]:
        """Everything that rules are declared for, in the order of the vehicle file."""
        named = [subject for subject, _ in self.declared]
        named += [verdict.subject for case in self.cases for verdict in case.verdicts]
        return tuple(dict.fromkeys(named))

    @cached_property
    def faults(self) -> tuple[str, ...]:
        """The kinds of faults that were tried: none, then in the order of the catalogue, then
        those that act together.
        """
        order = ["none", *catalogue()]
        found = {case.fault for case in self.cases}
        alone = [kind for kind in order if kind in found]
        return (*alone, *sorted(found.difference(alone)))

    @cached_property
    def cells(self) -> Mapping[tuple[str, str], Cell]:
        """The table: (subject, kind of fault) -> cell."""
        gathered: dict[tuple[str, str], list[Verdict]] = {
            (subject, fault): [] for subject in self.subjects for fault in self.faults
        }
        for case in self.cases:
            for verdict in case.verdicts:
                gathered[verdict.subject, case.fault].append(verdict)
        return {place: _cell(verdicts) for place, verdicts in gathered.items()}

    @cached_property
    def rules(self) -> tuple[RuleResult, ...]:
        """Every declared rule with its worst verdict over all cases."""
        found: dict[tuple[str, str], tuple[Verdict, CaseResult]] = {}
        for case in self.cases:
            for verdict in case.verdicts:
                place = (verdict.subject, verdict.rule)
                known = found.get(place)
                if known is None or _worse(verdict, known[0]):
                    found[place] = (verdict, case)
        untested = {
            place: RuleResult(*place, Verdict(*place, Outcome.NOT_EXERCISED), None)
            for place in self.declared
        }
        return tuple(
            RuleResult(*place, *found[place]) if place in found else untested[place]
            for place in dict.fromkeys([*self.declared, *found])
        )

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """The broken rules, each with the case that shows it soonest after its fault."""
        gathered: dict[tuple[str, str], list[tuple[Verdict, CaseResult]]] = {}
        for case in self.cases:
            for verdict in case.verdicts:
                if verdict.broken:
                    place = (verdict.subject, verdict.rule)
                    gathered.setdefault(place, []).append((verdict, case))
        return tuple(
            Finding(*min(shown, key=_simplicity), len(shown)) for shown in gathered.values()
        )

    @property
    def not_exercised(self) -> tuple[tuple[str, str], ...]:
        """The declared rules that no case put to the test."""
        return tuple(
            (entry.subject, entry.rule)
            for entry in self.rules
            if entry.verdict.outcome is Outcome.NOT_EXERCISED
        )

    @property
    def simulated_ns(self) -> int:
        """Simulated time of all cases together, in ns."""
        return sum(case.simulated_ns for case in self.cases)

    @property
    def exit_code(self) -> int:
        """0 only when every declared rule was exercised and kept; 1 when one broke; 3 when none
        broke but one was not exercised; 2 when there was no case or no rule.
        """
        if not self.cases or not self.declared:
            return EXIT_BAD_INPUT
        if self.findings:
            return EXIT_BROKEN
        return EXIT_NOT_EXERCISED if self.not_exercised else EXIT_KEPT


def _worse(verdict: Verdict, known: Verdict) -> bool:
    rank = {Outcome.NOT_EXERCISED: 0, Outcome.KEPT: 1, Outcome.BROKEN: 2}
    if verdict.outcome is not known.outcome:
        return rank[verdict.outcome] > rank[known.outcome]
    if verdict.margin_ns is None:
        return False
    return known.margin_ns is None or verdict.margin_ns < known.margin_ns


def _cell(verdicts: Sequence[Verdict]) -> Cell:
    tested = [verdict for verdict in verdicts if verdict.outcome is not Outcome.NOT_EXERCISED]
    if not tested:
        return Cell(Outcome.NOT_EXERCISED, None, ())
    chosen = worst(tested)
    same = [verdict for verdict in tested if verdict.outcome is chosen.outcome]
    rules = tuple(dict.fromkeys(verdict.rule for verdict in same))
    return Cell(chosen.outcome, smallest(verdict.margin_ns for verdict in same), rules)


def _simplicity(shown: tuple[Verdict, CaseResult]) -> tuple[int, int, str]:
    """Fewer faults first, then the smallest time from fault to break, then the name."""
    verdict, case = shown
    since_ns = (verdict.at_ns or 0) - (case.fault_ns or 0)
    return (case.fault.count("+"), since_ns if since_ns >= 0 else 1 << 62, case.name)
