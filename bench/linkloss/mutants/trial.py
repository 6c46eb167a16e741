"""One mutant, run until a rule breaks; or why no rule does."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import fields, replace
from functools import partial
from typing import Any, Literal, NamedTuple

from pydantic import Field

from linkloss.campaign.isolation import Child, Look, NoAnswer, NotFinished, looked_at
from linkloss.campaign.result import CaseResult
from linkloss.campaign.run import case_result, failed_case
from linkloss.campaign.workers import chunked
from linkloss.document import Document, Ns
from linkloss.judge.evidence import Evidence
from linkloss.mutants.baseline import Given, Stand, recording_digest, stands_of
from linkloss.recording import Recording, Series
from linkloss.scenario import Scenario
from linkloss.session import simulate
from linkloss.units import show_duration
from linkloss.vehicle.loading import Vehicle

Fate = Literal["caught", "no case", "unseen", "unjudged", "allowed"]
SURVIVED: tuple[Fate, ...] = ("no case", "unjudged", "allowed", "unseen")
"""What becomes of those that are not caught; what asks most for another test comes first."""


MOVED_NS = 1_000_000
"""From this difference on, in ns, a margin counts as another one: with other bits a frame is longer
by some, and everything moves with it.
"""


class Trial(Document):
    """What became of a mutant."""

    fate: Fate = Field(
        description="caught: a rule broke; no case: its line runs in no case; unseen: every case"
        " that reaches it gives the same recording; unjudged: a recording differs, and no margin"
        " of a rule by 1 ms; allowed: margins differ, and every rule is kept"
    )
    cases: int
    """cases that ran, up to the one that caught it"""
    case: str = ""
    """the one that caught it; else the one in which it shows"""
    fault: str = ""
    """the kinds of faults in that case; none: there is none"""
    subject: str = ""
    rule: str = ""
    """the rule that caught it; of an allowed one the rule that lost most of its margin"""
    text: str = ""
    """what was broken; of an unjudged one what differs first in the recording"""
    margin_ns: Ns | None = None
    """the margin that is left"""
    before_ns: Ns | None = None
    """the margin of that rule in that case with the program as it is"""


class _Seen(NamedTuple):
    """A case that ran; ``result`` is None where the recording is that of the program as it is, and
    so is every verdict.
    """

    result: CaseResult | None


def tried(
    vehicle: Vehicle,
    cases: Sequence[tuple[Scenario, Given]],
    *,
    limit_s: float,
    stop: Callable[[], bool],
) -> Trial:
    """Run a vehicle with a mutant in it on the cases that reach it, in their order, until a rule
    breaks. Raises Stopped once ``stop()`` is true, and NotFinished where the machine has no time.
    """
    if not cases:
        return Trial(fate="no case", cases=0)
    given = {each.name: each for _, each in cases}
    own = [replace(case, vehicle=vehicle) for case, _ in cases]
    look = Look(partial(_look, given), _failed)
    changed: list[CaseResult] = []
    ran = 0
    for piece in chunked(own, 0, 1):
        wanted = [own[place] for place in piece]
        seen = looked_at(wanted, look, branch=True, limit_s=limit_s, stop=stop, last=_is_broken)
        ran += len(seen)
        results = [one.result for one in seen if one.result is not None]
        broken = next((result for result in results if result.is_broken), None)
        if broken is not None:
            return _caught(broken, ran)
        changed += results
    if not changed:
        return Trial(fate="unseen", cases=ran)
    margins = [(each, *moved) for each in changed for moved in _moved(given[each.name], each)]
    if margins:
        result, (subject, rule, left_ns), before_ns = min(margins, key=_share)
        return Trial(
            fate="allowed", cases=ran, case=result.name, fault=result.fault, subject=subject,
            rule=rule, margin_ns=left_ns, before_ns=before_ns,
        )  # fmt: skip
    first = changed[0]
    before = next(case for case, each in cases if each.name == first.name)
    text = _difference(before, replace(before, vehicle=vehicle), limit_s)
    return Trial(fate="unjudged", cases=ran, case=first.name, fault=first.fault, text=text)


def _look(
    given: dict[str, Given], case: Scenario, recording: Recording, evidence: Evidence | None
) -> _Seen:
    if given[case.name].digest == recording_digest(recording):
        return _Seen(None)
    return _Seen(case_result(case, recording, evidence))


def _failed(case: Scenario, text: str) -> _Seen:
    return _Seen(failed_case(case, text))


def _is_broken(seen: _Seen) -> bool:
    return seen.result is not None and seen.result.is_broken


def _caught(result: CaseResult, ran: int) -> Trial:
    broken = [each for each in result.verdicts if each.broken]
    verdict = next((each for each in broken if each.rule == "program"), broken[0])
    return Trial(
        fate="caught", cases=ran, case=result.name, fault=result.fault,
        subject=verdict.subject, rule=verdict.rule, text=verdict.text,
        margin_ns=verdict.margin_ns,
    )  # fmt: skip


def _moved(given: Given, result: CaseResult) -> Iterator[tuple[Stand, int]]:
    """The rules of a case whose margin is clearly another one now, and what it was."""
    before = {(subject, rule): margin for subject, rule, margin in given.stands}
    for stand in stands_of(result.verdicts):
        was = before.get(stand[:2])
        if stand[2] is not None and was is not None and abs(was - stand[2]) >= MOVED_NS:
            yield stand, was


def _share(moved: tuple[CaseResult, Stand, int]) -> tuple[float, int]:
    """How much of a margin is left."""
    _, (_, _, left_ns), before_ns = moved
    assert left_ns is not None
    return left_ns / max(1, before_ns), left_ns


# ---- what differs


def _difference(before: Scenario, after: Scenario, limit_s: float) -> str:
    """What differs first between two runs, in words."""

    def compared() -> str:
        return first_difference(simulate(before), simulate(after))

    try:
        return Child(compared).answer(2 * limit_s)
    except (NoAnswer, NotFinished) as why:
        return str(why)


_NAMED = {
    "outputs": "load",
    "commands": "command of",
    "handed": "message",
    "foreign": "foreign frame of",
    "nodes": "node",
    "controllers": "controller of",
    "prints": "line printed by",
    "trips": "trip of",
    "frames": "frame of",
    "amps": "current of",
    "volts": "voltage at",
    "driven": "level of",
}
"""How the fields of a recording are called, what a reader looks at first in front."""


def first_difference(before: Recording, after: Recording) -> str:
    """What differs first between two recordings of one case, in words; at one instant what a driver
    would notice counts first.
    """
    order = {name: place for place, name in enumerate(_NAMED)}
    found = [
        (at_ns, order.get(entry.name, len(order)), entry.name, name)
        for entry in fields(before)
        for at_ns, name in _differences(getattr(before, entry.name), getattr(after, entry.name))
    ]
    if not found:
        return "nothing that is recorded in time"
    at_ns, _, field, name = min(found)
    return f"{_NAMED.get(field, field)} {name} at {show_duration(at_ns)}"


def _differences(before: Any, after: Any) -> Iterator[tuple[int, str]]:
    """(instant in ns, name) of where the values of a field differ first."""
    if isinstance(before, dict):
        for key in [*before, *(key for key in after if key not in before)]:
            name = " at ".join(key) if isinstance(key, tuple) else str(key)
            for at_ns, _ in _unlike(_rows(before.get(key, ())), _rows(after.get(key, ()))):
                yield at_ns, name
    elif not isinstance(before, (int, str)) and before is not None:
        for at_ns, row in _unlike(_rows(before), _rows(after)):
            yield at_ns, str(getattr(row, "sender", getattr(row, "node", "")))


def _rows(found: Any) -> list[Any]:
    return list(found.changes()) if isinstance(found, Series) else list(found)


def _unlike(before: Iterable[Any], after: Iterable[Any]) -> Iterator[tuple[int, Any]]:
    """The first rows that are not alike, with their instant."""
    old, new = list(before), list(after)
    for place in range(max(len(old), len(new))):
        rows = [rows[place] for rows in (old, new) if place < len(rows)]
        if len(rows) < 2 or rows[0] != rows[1]:
            yield min(((_instant(row), row) for row in rows), key=lambda pair: pair[0])
            return


def _instant(row: Any) -> int:
    for name in ("at_ns", "start_ns", "applied_ns"):
        if hasattr(row, name):
            return int(getattr(row, name))
    return int(row[0]) if isinstance(row, tuple) and isinstance(row[0], int) else 0
