"""Pairs of a recording and a load, right and wrong, put before the judge and the formulas.

Recordings come from a plan of cases, with the nodes as they are or wrong ones. Beside what a load's
node really commanded stand commands that are changed on purpose, most of them about a deadline.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from random import Random
from typing import Any, NamedTuple

from stl_formulas import MUST, NEVER, PAID, Formula, expressible, formulas_of
from stl_signals import FOREVER, Numbers, Reader, Signals

from linkloss.judge.case import Case
from linkloss.judge.load_rules import judge_never
from linkloss.judge.loads import view_load
from linkloss.recording import Series

Changes = list[tuple[int, float | None]]
MS = 1_000_000
SECOND = 1_000_000_000


class Found(NamedTuple):
    """When something is broken first, and as what: a rule, or ``unpaid``."""

    at: int
    what: str


@dataclass
class Difference:
    """Judge and formulas do not agree on a pair."""

    case: str
    load: str
    change: str
    judge: Found | None
    formula: Found | None
    commands: Changes

    def __str__(self) -> str:
        return (
            f"{self.case} {self.load} [{self.change}]: judge {_words(self.judge)},"
            f" formula {_words(self.formula)}"
        )


def _words(found: Found | None) -> str:
    return "kept" if found is None else f"{found.what} at {found.at / MS:.6f} ms"


@dataclass
class Tally:
    """How much was compared."""

    pairs: int = 0
    recordings: int = 0
    broken: int = 0
    compared_ns: int = 0
    all_ns: int = 0


class Bench:
    """Compares judge and formulas on the loads of one vehicle that the formulas have words for."""

    def __init__(self, vehicle: Any, dbc: Any, written_for: Any = None) -> None:
        """``written_for``: the vehicle that the formulas are written for; default: the judge's."""
        self.vehicle, self.dbc = vehicle, dbc
        self.loads = [name for name in vehicle.loads if expressible(vehicle, name)]
        rules = written_for or vehicle
        self.formulas = {name: formulas_of(rules, name) for name in self.loads}
        self.tally = Tally()
        self.differences: list[Difference] = []
        self.rules: Counter[str] = Counter()
        self.names: Counter[tuple[str, ...]] = Counter()
        """Load, the judge's rule and the formulas', where they break at once by other names."""

    def compare(self, case: str, recording: Any, rng: Random, mutants: int) -> None:
        """All loads of a recording, each also with so many changed commands."""
        reader = Reader(self.vehicle, recording, self.dbc)
        evidence = Case(self.vehicle, recording).evidence
        self.tally.recordings += 1
        for name in self.loads:
            real: Changes = recording.commands[name].changes()
            signals = reader.signals(name, real)
            self._pair(case, name, "as it was", real, recording, evidence, signals)
            for _ in range(mutants):
                how, changed = mutated(real, signals, Numbers.of(self.vehicle, name), rng)
                other = _with(recording, name, changed)
                shown = Reader.signals(_over(reader, other), name, changed)
                self._pair(case, name, how, changed, other, evidence, shown)

    def _pair(
        self,
        case: str,
        name: str,
        how: str,
        commands: Changes,
        recording: Any,
        evidence: Any,
        signals: Signals,
    ) -> None:
        tally = self.tally
        tally.pairs += 1
        tally.all_ns += signals.end
        hidden = sum(min(b, signals.end) - a for a, b in signals.masks if a < signals.end)
        tally.compared_ns += signals.end - hidden
        judged = Case(self.vehicle, recording, evidence)
        view = view_load(judged, name)
        breaches = sorted(
            (breach.at_ns, "unpaid" if breach.unpaid else breach.rule)
            for breach in view.walked.breaches
        )
        self._compare(case, name, how, commands, breaches, signals, (*MUST, *PAID))
        if self.vehicle.loads[name].never:
            found = [
                (verdict.at_ns or 0, "never")
                for verdict in judge_never(judged, view)
                if verdict.broken
            ]
            self._compare(case, name, how, commands, found, signals, NEVER)

    def _compare(
        self,
        case: str,
        name: str,
        how: str,
        commands: Changes,
        breaches: list[tuple[int, str]],
        signals: Signals,
        which: Sequence[str],
    ) -> None:
        first = Found(*breaches[0]) if breaches else None
        falses = [
            Found(at, _rule(formula))
            for formula in self.formulas[name]
            if formula.name in which and (at := formula.false_at(signals)) is not None
        ]
        false = min(falses, default=None)
        if first is not None and signals.masked(first.at):
            # What comes behind a break that is not compared is not compared either.
            if false is None or false.at >= first.at:
                return
            first = None
        if first is not None and false is not None and first.at == false.at:
            self.tally.broken += 1
            self.rules[first.what] += 1
            also = {found.what for found in falses if found.at == first.at}
            if "fresh" in also:
                also.add("rejoin")
            numbers = Numbers.of(self.vehicle, name)
            booted = [first.at - numbers.debounce - numbers.latency, -1]
            if "local" in also and booted in signals.of["boot"]:
                also.add("reset")  # what an input asks for when the program sets the pins
            if first.what not in also:
                self.names[name, first.what, *sorted(also)] += 1
            return
        if first is not None or false is not None:
            self.differences.append(Difference(case, name, how, first, false, commands))


def _rule(formula: Formula) -> str:
    if formula.name in PAID:
        return "unpaid"
    return "never" if formula.name in NEVER else MUST[formula.name]


def _with(recording: Any, name: str, changes: Changes) -> Any:
    """The same recording with another command of a load, which the load followed at once."""
    command: Series[float | None] = Series()
    for at, level in changes:
        command.set(at, level)
    got: Series[float] = Series()
    for at, level in changes:
        got.set(at, level or 0.0)
    return replace(
        recording,
        commands={**recording.commands, name: command},
        outputs={**recording.outputs, name: got},
        driven={**recording.driven, name: got},
    )


def _over(reader: Reader, recording: Any) -> Reader:
    """The same reader, with what it has read, over a recording with other commands."""
    other = Reader.__new__(Reader)
    other.__dict__.update(reader.__dict__, recording=recording)
    return other


def mutated(real: Changes, signals: Signals, numbers: Numbers, rng: Random) -> tuple[str, Changes]:
    """A command changed in one place, often to the nanosecond about a deadline."""
    changes = list(real)
    driven = [place for place, (at, level) in enumerate(changes) if level is not None and at > 0]
    how = rng.choice(("late", "early", "pulse", "left out", "turned over", "due", "due", "due"))
    if not driven:
        how = "pulse"
    if how in ("late", "early"):
        place = rng.choice(driven)
        at, level = changes[place]
        by = rng.choice((1, numbers.latency, rng.randrange(1, 3 * numbers.latency)))
        changes[place] = (at + by if how == "late" else max(1, at - by), level)
        return how, _tidy(changes)
    if how == "left out":
        place = rng.choice(driven)
        del changes[place : place + rng.choice((1, 2))]
        return how, _tidy(changes)
    at = moment(signals, numbers, rng)
    if how == "pulse":
        until = at + rng.choice((1, 1000, 2 * MS, rng.randrange(1, 40 * MS)))
        return how, _flipped(changes, at, until)
    if how == "turned over":
        return how, _flipped(changes, at, FOREVER)
    # The change that is nearest to it comes just at, just before or just behind a deadline.
    place = min(driven, key=lambda one: abs(changes[one][0] - at))
    changes[place] = (at, changes[place][1])
    return how, _tidy(changes)


def moment(signals: Signals, numbers: Numbers, rng: Random) -> int:
    """An instant of the run; mostly one to which a deadline leads from a message or an edge."""
    kinds = [
        times
        for name in ("good", "asks", "local", "born", "barred", "on")
        if (times := [at for at, _ in signals.of.get(name, []) if at])
    ]
    if "good" in signals.of:
        good = [at for at, level in signals.of["good"] if level > 0]
        silences = pairwise([*good, signals.end])
        kinds.append([at for at, after in silences if after - at > numbers.may_stale])
    kinds.append([0])
    away = (
        0,
        numbers.latency,
        numbers.boot,
        numbers.boot + numbers.latency,
        numbers.may_stale,
        numbers.must_stale,
        numbers.may_then,
        numbers.must_then,
        numbers.longest_on,
        rng.randrange(1, 30 * MS),
    )
    base = rng.choice(rng.choice(kinds) or [rng.randrange(1, signals.end)])
    at = base + rng.choice(away) + rng.choice((-1, 0, 1))
    return at if 0 < at < signals.end else rng.randrange(1, signals.end)


def _tidy(changes: Changes) -> Changes:
    """In order of time, each a change; the last at one instant counts."""
    found: Changes = []
    for at, level in sorted(changes, key=lambda change: change[0]):
        if found and found[-1][0] == at:
            found.pop()
        if not found or found[-1][1] != level:
            found.append((at, level))
    return found


def _flipped(changes: Changes, start: int, end: int) -> Changes:
    """What was on is off within a span, and the other way round."""

    def level(at: int) -> float | None:
        before = [value for when, value in changes if when <= at]
        return before[-1] if before else None

    def turned(value: float | None) -> float:
        return 0.0 if value else 1.0

    found = [(at, value if not start <= at < end else turned(value)) for at, value in changes]
    found += [(start, turned(level(start)))]
    if end < FOREVER:
        found.append((end, level(end)))
    return _tidy(found)


def spread(cases: Sequence[Any], share: int, rng: Random) -> Iterator[Any]:
    """One case of each so many, drawn by the generator."""
    for start in range(0, len(cases), share):
        yield rng.choice(cases[start : start + share])
