"""What a check found, kept for later, and what has changed since."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from linkloss.campaign.result import CheckReport
from linkloss.judge import Outcome
from linkloss.model.problem import BadInput

FORMAT, VERSION = "linkloss baseline", 1
Place = tuple[str, str]


class Standing(NamedTuple):
    """How a rule stood: its outcome, and its smallest margin where it has one."""

    outcome: Outcome
    margin_ns: int | None


class Change(NamedTuple):
    """A rule of a subject, before and after; None where it did not exist."""

    subject: str
    rule: str
    before: Standing | None
    after: Standing | None


@dataclass(frozen=True, slots=True)
class Changes:
    """What differs from a baseline. ``fallen`` holds kept rules whose margin became smaller."""

    broken: tuple[Change, ...]
    kept: tuple[Change, ...]
    untested: tuple[Change, ...]
    fallen: tuple[Change, ...]
    gone: tuple[Change, ...]


def standings(report: CheckReport) -> dict[Place, Standing]:
    """How every rule of a check stands."""
    return {
        (entry.subject, entry.rule): Standing(entry.verdict.outcome, entry.verdict.margin_ns)
        for entry in report.rules
    }


def baseline_json(report: CheckReport) -> str:
    """A check's standings as a file for ``--against``."""
    rules = [
        [subject, rule, standing.outcome.value, standing.margin_ns]
        for (subject, rule), standing in standings(report).items()
    ]
    lines = ",\n    ".join(json.dumps(rule) for rule in rules)
    head = {"format": FORMAT, "version": VERSION, "vehicle": report.vehicle.title}
    fields = ",\n  ".join(f"{json.dumps(key)}: {json.dumps(value)}" for key, value in head.items())
    return f'{{\n  {fields},\n  "rules": [\n    {lines}\n  ]\n}}\n'


def read_baseline(path: Path) -> dict[Place, Standing]:
    """The standings in a file. Raises BadInput for one that is missing or no baseline."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise BadInput.one(path, "", f"cannot be read: {error.strerror}") from None
    except ValueError as error:
        raise BadInput.one(path, "", f"this is no valid JSON: {error}") from None
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        text = "this is no baseline; expected a file that 'linkloss check --save' wrote"
        raise BadInput.one(path, "", text)
    if document.get("version") != VERSION:
        text = f"got version {document.get('version')}; expected {VERSION}: save it anew"
        raise BadInput.one(path, "version", text)
    try:
        return {
            (str(subject), str(rule)): Standing(Outcome(outcome), margin_ns)
            for subject, rule, outcome, margin_ns in document["rules"]
        }
    except (KeyError, TypeError, ValueError) as error:
        raise BadInput.one(path, "rules", f"cannot be used: {error}") from None


def compare(before: Mapping[Place, Standing], after: Mapping[Place, Standing]) -> Changes:
    """What has changed from one check to the next, in the order of the later one."""
    changes = [
        Change(*place, before.get(place), standing)
        for place, standing in after.items()
        if before.get(place) != standing
    ]
    return Changes(
        broken=tuple(change for change in changes if _became(change, Outcome.BROKEN)),
        kept=tuple(change for change in changes if _became(change, Outcome.KEPT)),
        untested=tuple(change for change in changes if _became(change, Outcome.NOT_EXERCISED)),
        fallen=tuple(change for change in changes if _fell(change)),
        gone=tuple(
            Change(*place, standing, None)
            for place, standing in before.items()
            if place not in after
        ),
    )


def _became(change: Change, outcome: Outcome) -> bool:
    after = change.after is not None and change.after.outcome is outcome
    return after and (change.before is None or change.before.outcome is not outcome)


def _fell(change: Change) -> bool:
    before, after = change.before, change.after
    return (
        before is not None
        and after is not None
        and before.outcome is after.outcome is Outcome.KEPT
        and before.margin_ns is not None
        and after.margin_ns is not None
        and after.margin_ns < before.margin_ns
    )
