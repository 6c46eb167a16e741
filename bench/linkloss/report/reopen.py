"""Reads a result in JSON back, so that it can be shown again and in other forms.

The vehicle is read again from its file. A digest of its content shows whether it has changed since.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import TypeAdapter

from linkloss.campaign.result import CaseResult, CheckReport, RunDocument, RunResult, case_form
from linkloss.campaign.run import expected_verdict, scenario_of
from linkloss.campaign.shrink import Shrunk
from linkloss.campaign.store import CaseStore
from linkloss.campaign.stories import Stories, Story
from linkloss.document import Document, read_back
from linkloss.judge import Unjudged, declared_rules
from linkloss.problem import BadInput
from linkloss.recording import recording_in
from linkloss.report.findings import Told
from linkloss.report.machine import INTERRUPTED, CheckHead, StoryFields, content_now
from linkloss.scenario import scenario_in
from linkloss.vehicle.loading import Vehicle, load_vehicle

_FORMATS = ("linkloss check", "linkloss run")
_CASES = '"cases": ['
CHANGED = (
    "The vehicle file, its DBC or its programs have changed since this result was made. What is"
    " declared and the pictures are those of today."
)


class Reopened(NamedTuple):
    """A result from a file: a check with what its cases were chosen from and why what broke did, or
    a run.

    ``changed``: the vehicle has changed since then.
    """

    result: CheckReport | RunResult
    space: tuple[str, ...]
    told: Told
    changed: bool


class _Keys(Document):
    """What kind of result it is, and where its vehicle is. ``cases`` holds only cases that were not
    written one to a line.
    """

    format: Any = None
    version: Any = None
    vehicle_file: Any = None
    content: str | None = None
    cases: tuple[CaseResult, ...] = ()


class _Untold(Document):
    """Why a finding has no story."""

    subject: str
    rule: str
    story_missing: str | None = None


class _Findings(Document):
    findings: tuple[_Untold, ...] = ()


def reopen(path: Path, *, programs: bool = False) -> Reopened:
    """Read what ``--json`` has written. Nothing of the vehicle's programs is imported or run unless
    ``programs`` are asked for, which running a case again needs.

    :raises BadInput: for anything else, and for a vehicle file that is missing or has mistakes.
    """
    store = CaseStore()
    try:
        with path.open(encoding="utf-8") as file:
            text = "".join(_without_cases(path, file, store))
    except OSError as error:
        raise BadInput.one(path, "", f"cannot be read: {error.strerror}") from None
    except UnicodeDecodeError as error:
        raise BadInput.one(path, "", f"this is no text: {error}") from None
    keys = read_back(TypeAdapter(_Keys), text, path, "result")
    if keys.format not in _FORMATS:
        known = " or ".join(f"'{name}'" for name in _FORMATS)
        raise BadInput.one(path, "format", f"got {keys.format!r}; expected a result: {known}")
    if keys.version != 1:
        raise BadInput.one(path, "version", f"got {keys.version!r}; this linkloss reads 1")
    vehicle = load_vehicle(_vehicle_file(path, keys.vehicle_file), programs=programs)
    space, told = tuple[str, ...](), Told()
    if keys.format == "linkloss run":
        result: CheckReport | RunResult = _run(path, text, vehicle)
    else:
        for case in keys.cases:  # of a file that another program has reformatted
            store.append(case)
        head = read_back(TypeAdapter(CheckHead), text, path, "result")
        space = tuple(head.space or ())
        result = _check(head, vehicle, store)
        found = read_back(TypeAdapter(_Findings), text, path, "result").findings
        told = _told(head, found, vehicle)
    return Reopened(result, space, told, keys.content not in (None, content_now(vehicle)))


def _without_cases(path: Path, lines: Iterator[str], store: CaseStore) -> Iterator[str]:
    """The lines of a file without the cases that stand one to a line. There may be many, so they go
    to the store one by one.
    """
    for line in lines:
        yield line
        if line.rstrip() != _CASES:
            continue
        for entry in lines:
            if not entry.lstrip().startswith("{"):
                yield entry
                break
            store.append(read_back(case_form(), entry.rstrip().rstrip(","), path, "result"))


def _vehicle_file(path: Path, named: object) -> Path:
    """The named vehicle file, relative to the current folder or to the result."""
    if not isinstance(named, str):
        raise BadInput.one(path, "vehicle_file", "is missing; expected the vehicle's file")
    beside = path.parent / named
    return beside if beside.is_file() and not Path(named).is_file() else Path(named)


def _check(head: CheckHead, vehicle: Vehicle, store: CaseStore) -> CheckReport:
    declared = tuple(declared_rules(vehicle))
    unjudged = tuple(Unjudged(*row) for row in head.unjudged)
    return CheckReport(vehicle, head.seed, declared, store, len(store), unjudged=unjudged)


def _told(head: CheckHead, findings: Sequence[_Untold], vehicle: Vehicle) -> Told:
    """What was found out about what broke."""
    stories = [story for story in (_story(fields, vehicle) for fields in head.stories) if story]
    untold = {(f.subject, f.rule): f.story_missing for f in findings if f.story_missing}
    interrupted = INTERRUPTED in untold.values()
    return Told(
        Stories(tuple(stories), untold, interrupted),
        {fields.name: Path(fields.file) for fields in head.stories if fields.file is not None},
        {(entry.subject, entry.rule): entry.found for entry in head.diagnoses},
    )


def _story(fields: StoryFields, vehicle: Vehicle) -> Story | None:
    """A story; None if an earlier version wrote too little of it, or if the vehicle of today no
    longer has what happens in it.
    """
    if fields.verdict is None:
        return None
    try:
        scenario = scenario_in(fields.scenario, Path(f"{fields.name}.toml"), vehicle)
    except BadInput:
        return None
    shrunk = Shrunk(
        scenario, fields.verdict, tuple(fields.shows), tuple(fields.without),
        fields.runs, fields.budget, fields.ran_out,
    )  # fmt: skip
    return Story(fields.name, fields.case, shrunk, tuple(fields.tells), fields.cause)


def _run(path: Path, text: str, vehicle: Vehicle) -> RunResult:
    recording, _ = recording_in(text, path)
    document = read_back(TypeAdapter(RunDocument), text, path, "result")
    scenario = replace(scenario_of(document, recording, vehicle), actions=(), outside=None)
    hopes = tuple(
        expected_verdict(hoped, entry.at_ns, entry.observed)
        for hoped, entry in zip(scenario.expectations, document.expected, strict=True)
    )
    return RunResult(scenario, recording, tuple(document.verdicts), hopes)
