"""The check of the program as it is: what every case gives, and which lines of the program it runs.

A deterministic bench gives the same bytes for a case in which the changed line of a mutant never
runs. So a mutant runs in the cases that reach its change, and in no other.
"""

from __future__ import annotations

import io
import pickle
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import Any, NamedTuple

from linkloss.campaign.isolation import Look, Stopped, looked_at
from linkloss.campaign.result import CaseResult
from linkloss.campaign.run import case_result, failed_case
from linkloss.campaign.workers import chunked, forked
from linkloss.judge.evidence import Evidence
from linkloss.judge.verdict import Verdict
from linkloss.mutants.plant import Mutant
from linkloss.mutants.probe import Probe, RunLines
from linkloss.recording import Recording
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle

Stand = tuple[str, str, int | None]
"""A rule that was kept: subject, rule and margin in ns."""


class Given(NamedTuple):
    """What a case gives with the program as it is."""

    name: str
    digest: str
    stands: tuple[Stand, ...]
    lines: RunLines
    broken: str = ""
    """The first rule that it breaks, in words."""


@dataclass(frozen=True)
class Baseline:
    """All cases, in the order in which they run; ``known`` are the lines of which they can tell."""

    cases: tuple[Given, ...]
    known: RunLines

    @property
    def broken(self) -> list[Given]:
        """The cases that break a rule without any mistake planted."""
        return [case for case in self.cases if case.broken]

    def reaching(self, mutant: Mutant) -> list[int]:
        """The places of the cases that can differ with this mutant."""
        known = self.known.get(mutant.file, frozenset())
        if mutant.anchor in known:
            wanted = frozenset({mutant.anchor})
        elif mutant.function is not None:
            first, last = mutant.function
            wanted = known.intersection(range(first, last + 1))
        else:
            wanted = frozenset()
        if not wanted:  # it lies where nothing tells of it
            return list(range(len(self.cases)))
        return [
            place
            for place, case in enumerate(self.cases)
            if not wanted.isdisjoint(case.lines.get(mutant.file, frozenset()))
        ]

    def as_plain(self) -> dict[str, Any]:
        """Plain values for JSON; equal sets of lines stand there once."""
        sets: dict[tuple[tuple[str, tuple[int, ...]], ...], int] = {}
        rows = [
            [*case[:3], sets.setdefault(_plain(case.lines), len(sets)), case.broken]
            for case in self.cases
        ]
        return {"known": _plain(self.known), "sets": list(sets), "cases": rows}

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Baseline:
        """The other way."""
        sets = [_lines(each) for each in plain["sets"]]
        cases = tuple(
            Given(name, mark, tuple((a, b, c) for a, b, c in stands), sets[number], broken)
            for name, mark, stands, number, broken in plain["cases"]
        )
        return cls(cases, _lines(plain["known"]))


def _plain(lines: RunLines) -> tuple[tuple[str, tuple[int, ...]], ...]:
    return tuple((name, tuple(sorted(found))) for name, found in sorted(lines.items()))


def _lines(plain: Sequence[tuple[str, Sequence[int]]]) -> RunLines:
    return {name: frozenset(found) for name, found in plain}


def recording_digest(recording: Recording) -> str:
    """What is the same for recordings of the same bytes only."""
    out = io.BytesIO()
    pickler = pickle.Pickler(out, 5)
    pickler.fast = True  # values count, and not which of them are one object
    pickler.dump(recording)
    return sha256(out.getbuffer()).hexdigest()[:32]


def stands_of(verdicts: Sequence[Verdict]) -> tuple[Stand, ...]:
    """How the rules of a case that breaks none stand."""
    return tuple((each.subject, each.rule, each.margin_ns) for each in verdicts)


def run_baseline(
    vehicle: Vehicle,
    cases: Sequence[Scenario],
    probe: Probe,
    *,
    jobs: int,
    limit_s: float,
    tell: Callable[[int], object],
) -> Baseline:
    """Run all cases with a vehicle in which a probe counts lines. ``tell(number)`` is called
    whenever so many more cases are done. Raises NotFinished as
    :func:`linkloss.campaign.isolation.isolated` does.
    """
    own = [replace(case, vehicle=vehicle) for case in cases]
    chunks = list(chunked(own, 0, jobs))
    look = Look(_look(probe), _failed)

    def piece(number: int, stop: Callable[[], bool]) -> list[Given]:
        probe.begin()
        wanted = [own[place] for place in chunks[number]]
        try:
            return looked_at(wanted, look, branch=False, limit_s=limit_s, stop=stop)
        except Stopped:
            return []

    found: Iterator[list[Given]] = forked(jobs, len(chunks), piece, lambda done: tell(len(done)))
    return Baseline(tuple(case for piece_ in found for case in piece_), probe.known())


def _look(probe: Probe) -> Callable[[Scenario, Recording, Evidence | None], Given]:
    def look(case: Scenario, recording: Recording, evidence: Evidence | None) -> Given:
        result = case_result(case, recording, evidence)
        lines = probe.ran()
        mark = recording_digest(recording)
        return Given(case.name, mark, stands_of(result.verdicts), lines, _broken(result))

    return look


def _failed(case: Scenario, text: str) -> Given:
    return Given(case.name, "", (), {}, _broken(failed_case(case, text)))


def _broken(result: CaseResult) -> str:
    broken = [verdict for verdict in result.verdicts if verdict.broken]
    return f"{broken[0].subject}: {broken[0].rule}, {broken[0].text}" if broken else ""
