"""From a result in JSON back to the result, so that it can be shown again and otherwise.

The vehicle is read anew from its file; whether it is still what the result was made with is told
by a digest of its content.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from linkloss.campaign.result import CaseResult, CheckReport, RunResult
from linkloss.campaign.run import expected_verdict
from linkloss.campaign.store import CaseStore
from linkloss.judge import Unjudged, Verdict, declared_rules
from linkloss.logs.recorded import recording_of
from linkloss.problem import BadInput
from linkloss.report.machine import CHECK_VERSION, RUN_VERSION, content_now
from linkloss.scenario import Expectation, Scenario
from linkloss.vehicle.loading import Vehicle, load_vehicle

_VERSIONS = {"linkloss check": CHECK_VERSION, "linkloss run": RUN_VERSION}
_CASES = '"cases": ['
CHANGED = (
    "The vehicle file, its DBC or its programs have changed since this result was made. What is"
    " declared and the pictures are those of today."
)


class Reopened(NamedTuple):
    """A result out of a file: a check with what its cases were chosen from, or a run.

    ``changed``: the vehicle is not what it was then.
    """

    result: CheckReport | RunResult
    space: tuple[str, ...]
    changed: bool


def reopen(path: Path) -> Reopened:
    """Read what ``--json`` has written. Raises BadInput for anything else, and for a vehicle file
    that is missing or has mistakes.
    """
    store = CaseStore()
    document = _document(path, store)
    kind = document.get("format")
    if kind not in _VERSIONS:
        known = " or ".join(f"'{name}'" for name in _VERSIONS)
        raise BadInput.one(path, "format", f"got {kind!r}; expected a result: {known}")
    if document.get("version") != _VERSIONS[kind]:
        text = f"got {document.get('version')!r}; this linkloss reads {_VERSIONS[kind]}"
        raise BadInput.one(path, "version", text)
    vehicle = load_vehicle(_vehicle_file(path, document))
    try:
        if kind == "linkloss run":
            result: CheckReport | RunResult = _run(path, document, vehicle)
        else:
            result = _check(document, vehicle, store)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        text = f"this is no whole result: {type(error).__name__}, {error}"
        raise BadInput.one(path, "", text) from None
    space = tuple(document.get("space") or ())
    return Reopened(result, space, document.get("content") not in (None, content_now(vehicle)))


def _document(path: Path, store: CaseStore) -> dict[str, Any]:
    """Everything but the cases of a check; these go to the store one by one, for there may be
    many.
    """
    try:
        with path.open(encoding="utf-8") as file:
            document = json.loads("".join(_without_cases(file, store)))
    except OSError as error:
        raise BadInput.one(path, "", f"cannot be read: {error.strerror}") from None
    except (ValueError, KeyError, TypeError) as error:
        raise BadInput.one(
            path, "", f"this is no result that --json has written: {error}"
        ) from None
    if not isinstance(document, dict):
        raise BadInput.one(path, "", "this is no result that --json has written")
    for case in document.pop("cases", ()):  # of a file that something else has laid out anew
        store.append(_case(case))
    return document


def _without_cases(lines: Iterator[str], store: CaseStore) -> Iterator[str]:
    """The lines of a file; of a list of cases, each on its own line, nothing is left but the
    brackets.
    """
    for line in lines:
        yield line
        if line.rstrip() != _CASES:
            continue
        for entry in lines:
            if not entry.lstrip().startswith("{"):
                yield entry
                break
            store.append(_case(json.loads(entry.rstrip().rstrip(","))))


def _case(fields: Mapping[str, Any]) -> CaseResult:
    verdicts = tuple(Verdict.from_row(row) for row in fields["verdicts"])
    return CaseResult(**{**fields, "verdicts": verdicts})


def _vehicle_file(path: Path, document: Mapping[str, Any]) -> Path:
    """The vehicle file as it was named, from here or from beside the result."""
    named = document.get("vehicle_file")
    if not isinstance(named, str):
        raise BadInput.one(path, "vehicle_file", "is missing; expected the vehicle's file")
    beside = path.parent / named
    return beside if beside.is_file() and not Path(named).is_file() else Path(named)


def _check(document: Mapping[str, Any], vehicle: Vehicle, store: CaseStore) -> CheckReport:
    declared = tuple(declared_rules(vehicle))
    unjudged = tuple(Unjudged(*row) for row in document.get("unjudged", ()))  # later than the rest
    return CheckReport(vehicle, document["seed"], declared, store, len(store), unjudged=unjudged)


def _run(path: Path, document: Mapping[str, Any], vehicle: Vehicle) -> RunResult:
    recording = recording_of(document, path)
    expected = document["expected"]
    scenario = Scenario(
        name=document["scenario"],
        title=document["title"],
        vehicle=vehicle,
        situation=document["situation"],
        inputs=document["beginning"],
        actions=(),
        faults=(),
        lasts_ns=document["end_ns"],
        seed=document["seed"],
        expectations=tuple(
            Expectation(entry["load"], entry["state"], entry["from_ns"], entry["to_ns"])
            for entry in expected
        ),
    )
    verdicts = tuple(Verdict.from_row(row) for row in document["verdicts"])
    hopes = tuple(
        expected_verdict(hoped, entry["at_ns"], entry["observed"])
        for hoped, entry in zip(scenario.expectations, expected, strict=True)
    )
    return RunResult(scenario, recording, verdicts, hopes)
