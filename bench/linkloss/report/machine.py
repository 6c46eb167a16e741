"""Results as JSON, for programs: what the screen says, in whole nanoseconds, the same every time.

Tables with many rows are arrays of arrays; the names of their columns stand beside them.

What a result was made from, as a digest: to know later whether it still stands.

What a check cost, and on what machine: the part of its results that is never the same twice,
and so stands in a file of its own.

A story as plain values for programs. What it cost stands with the effort.

A whole recording as plain lists, ready for JSON: nothing left out, nothing rounded.
"""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict
from typing import Any

from linkloss.bus import BusRecord, FdFrame
from linkloss.campaign.result import (
    CAUTION,
    CaseResult,
    CheckReport,
    Finding,
    RuleResult,
    RunResult,
)
from linkloss.campaign.selection import content
from linkloss.campaign.stories import Story
from linkloss.judge import Outcome, Verdict
from linkloss.judge.verdict import COLUMNS
from linkloss.recording import NodeChange, Outside, OutsideEvent, Recording, Series
from linkloss.report.findings import Told, story_sentence
from linkloss.report.totals import combinations, groups, judged_in, totals
from linkloss.report.words import command, finding_sentence, outcome_line, rule_words, run_sentence
from linkloss.vehicle.loading import Vehicle


def content_now(vehicle: Vehicle) -> str | None:
    """The SHA-256 of the vehicle's file, its DBC and its programs, in hexadecimal, as they are
    now; None when one of them is not there any more.
    """
    try:
        return content(vehicle)
    except OSError:
        return None


EFFORT_VERSION = 1


def effort_json(
    report: CheckReport, wall_s: float, choice: Mapping[str, Any], told: Told | None = None
) -> str:
    """The effort as JSON. ``wall_s`` is the cases' real time in seconds; ``choice`` says how the
    work was spread; ``told`` are the stories, if there were any to be found.
    """
    cases = len(report.cases)
    fields = {
        "format": "linkloss effort",
        "version": EFFORT_VERSION,
        "wall_s": round(wall_s, 3),
        "cases": cases,
        "cases_per_s": round(cases / wall_s, 2) if wall_s > 0 else None,
        "simulated_s_per_s": round(report.simulated_ns / 1e9 / wall_s, 2) if wall_s > 0 else None,
        **choice,
        "shrinking": [] if told is None else [_shrinking(story) for story in told.stories.told],
        "host": {
            "cores": os.cpu_count(),
            "machine": platform.machine(),
            "system": platform.system(),
            "python": platform.python_version(),
        },
    }
    return json.dumps(fields, indent=2) + "\n"


def _shrinking(story: Story) -> dict[str, Any]:
    return {"story": story.name, "runs": story.shrunk.runs, "budget": story.shrunk.budget}


def story_fields(told: Told, story: Story) -> dict[str, Any]:
    """What is known about a story; ``without`` says of each fault, then of each action, what
    becomes of the rule without it (None: not tried).
    """
    shrunk = story.shrunk
    file = told.files.get(story.name)
    return {
        "name": story.name,
        "sentence": story_sentence(story),
        "file": None if file is None else file.as_posix(),
        "command": told.command(story) or None,
        "cause": story.cause,
        "findings_with_this_cause": told.stories.sharing(story),
        "tells": [list(place) for place in story.tells],
        "case": story.case,
        "beginning": dict(shrunk.scenario.inputs),
        "actions": [[action.at_ns, dict(action.values)] for action in shrunk.scenario.actions],
        "faults": [
            [timed.at_ns, timed.until_ns, timed.fault.kind, timed.fault.label()]
            for timed in shrunk.scenario.faults
        ],
        "lasts_ns": shrunk.scenario.lasts_ns,
        "without": [None if outcome is None else outcome.value for outcome in shrunk.needed],
        "minimal": shrunk.minimal,
        "ran_out": shrunk.ran_out,
    }


FRAME_COLUMNS = (
    "start_ns",
    "end_ns",
    "sender",
    "identifier",
    "extended",
    "remote",
    "dlc",
    "data",
    "receivers",
    "error",
    "lost_overrun",
    "rivals",
    "fd",
)

OUTSIDE_COLUMNS = ("at_ns", "name", "frame", "presence", "hands")


def recording_fields(recording: Recording) -> dict[str, Any]:
    """The fields of a recording by name. Series are lists of [instant in ns, value]."""
    return {
        "seed": recording.seed,
        "end_ns": recording.end_ns,
        "logged": list(recording.logged),
        "shift": None if recording.shift is None else asdict(recording.shift),
        "actions": [[action.at_ns, dict(action.values)] for action in recording.actions],
        "faults": [fault._asdict() for fault in recording.faults],
        "inputs": _all_series(recording.inputs),
        "seen": _seen(recording),
        "outputs": _all_series(recording.outputs),
        "commands": _all_series(recording.commands),
        "volts": _all_series(recording.volts),
        "amps": _all_series(recording.amps),
        "driven": _all_series(recording.driven),
        "trips": _all_series(recording.trips),
        "fuses": [fuse._asdict() for fuse in recording.fuses],
        "node_columns": list(NodeChange._fields),
        "nodes": _rows(recording.nodes),
        "controller_columns": ["at_ns", "state", "tec", "rec"],
        "controllers": _rows(recording.controllers),
        "crashes": [crash._asdict() for crash in recording.crashes],
        "handed_columns": ["at_ns", "data", "taken"],
        "handed": {
            name: [[entry.at_ns, entry.data.hex(), entry.taken] for entry in recording.handed[name]]
            for name in sorted(recording.handed)
        },
        "foreign_columns": ["at_ns", "node", "identifier", "extended", "data", "taken"],
        "foreign": [[*entry[:4], entry.data.hex(), entry.taken] for entry in recording.foreign],
        "outside_columns": list(OUTSIDE_COLUMNS),
        "outside": [_outside_row(event) for event in recording.outside],
        "frame_columns": list(FRAME_COLUMNS),
        "frames": [frame_row(record) for record in recording.frames],
    }


def _outside_row(event: OutsideEvent) -> list[Any]:
    """What somebody outside did, in the order of OUTSIDE_COLUMNS; ``frame`` is None or identifier,
    extended, remote, DLC and data.
    """
    at_ns, name, frame, presence, hands = event
    row = frame and [
        frame.identifier,
        frame.extended,
        frame.remote,
        frame.dlc,
        frame.data.hex(),
    ]
    return [at_ns, name, row, presence, hands]


def frame_row(record: BusRecord) -> list[Any]:
    """One frame, in the order of FRAME_COLUMNS; data in hexadecimal; of a CAN FD frame whether the
    bit rate switches and whether its sender is error-passive.
    """
    frame = record.frame
    return [
        record.start_ns,
        record.end_ns,
        record.sender,
        frame.identifier,
        frame.extended,
        frame.remote,
        frame.dlc,
        frame.data.hex(),
        list(record.receivers),
        record.error,
        list(record.lost_overrun),
        list(record.rivals),
        [frame.bit_rate_switch, frame.error_state_indicator]
        if isinstance(frame, FdFrame)
        else None,
    ]


def _all_series(group: Mapping[str, Series[Any]]) -> dict[str, list[list[Any]]]:
    return {name: _changes(series) for name, series in group.items()}


def _changes(series: Series[Any]) -> list[list[Any]]:
    return [list(change) for change in series.changes()]


def _seen(recording: Recording) -> dict[str, dict[str, list[list[Any]]]]:
    found: dict[str, dict[str, list[list[Any]]]] = {}
    for (name, node), series in recording.seen.items():
        found.setdefault(name, {})[node] = _changes(series)
    return found


def _rows(group: Mapping[str, Iterable[tuple[Any, ...]]]) -> dict[str, list[list[Any]]]:
    return {name: [list(row) for row in rows] for name, rows in group.items()}


CHECK_VERSION = 1
RUN_VERSION = 1


def check_json(report: CheckReport, told: Told | None = None) -> str:
    """A check as JSON. ``cases`` hold the verdicts that were kept or broken; ``told`` are the
    stories of what broke, if they were looked for.
    """
    return "".join(check_json_parts(report, told))


def check_json_parts(report: CheckReport, told: Told | None = None) -> Iterator[str]:
    """The same text piece by piece, so that the cases need not be in memory together."""
    return lines_of(
        {
            "format": "linkloss check",
            "version": CHECK_VERSION,
            "vehicle": report.vehicle.title,
            "vehicle_file": str(report.vehicle.path),
            "content": content_now(report.vehicle),
            "seed": report.seed,
            "exit_code": report.exit_code,
            "outcome": outcome_line(report),
            "caution": CAUTION,
            "totals": _totals(report),
            "space": None if report.space is None else list(report.space.sentences()),
            "notes": list(report.vehicle.notes),
            "reached": _reached(report),
            "findings": [
                {**_finding(report, finding), **_story_of(told, finding)}
                for finding in report.findings
            ],
            "stories": [] if told is None else [story_fields(told, s) for s in told.stories.told],
            "not_exercised": [list(place) for place in report.not_exercised],
            "unjudged": [[entry.what, entry.reason, entry.allowed] for entry in report.unjudged],
            "rules": [_rule(report, entry) for entry in report.rules],
            "faults": list(report.faults),
            "groups": dict(groups(report)),
            "table_columns": ["subject", "fault", "outcome", "margin_ns", "rules"],
            "table": _table(report),
            "verdict_columns": list(COLUMNS),
            "cases": (_case(case) for case in report.cases),
        }
    )


def _reached(report: CheckReport) -> dict[str, Any]:
    coverage = report.tally.coverage
    return {
        "combinations": combinations(coverage),
        "columns": ["controller", "program", "rules"],
        "table": [[*place, number] for place, number in judged_in(coverage).items()],
    }


def run_json(result: RunResult) -> str:
    """A run as JSON, with its whole recording."""
    scenario = result.scenario
    parts = lines_of(
        {
            "format": "linkloss run",
            "version": RUN_VERSION,
            "scenario": scenario.name,
            "title": scenario.title,
            "vehicle": scenario.vehicle.title,
            "vehicle_file": str(scenario.vehicle.path),
            "content": content_now(scenario.vehicle),
            "situation": scenario.situation,
            "beginning": dict(scenario.inputs),
            "real": None if scenario.outside is None else _real(scenario.outside),
            "exit_code": result.exit_code,
            "caution": CAUTION,
            "broken": [_broken(result, verdict) for verdict in result.broken],
            "verdict_columns": list(COLUMNS),
            "verdicts": [verdict.row() for verdict in result.verdicts],
            "expected": [
                {
                    "load": entry.load,
                    "state": entry.state,
                    "from_ns": entry.from_ns,
                    "to_ns": entry.to_ns,
                    "outcome": verdict.outcome.value,
                    "at_ns": verdict.at_ns,
                    "observed": verdict.observed,
                    "text": verdict.text,
                }
                for entry, verdict in zip(scenario.expectations, result.expected, strict=True)
            ],
            **recording_fields(result.recording),
        }
    )
    return "".join(parts)


def lines_of(document: Mapping[str, Any]) -> Iterator[str]:
    """JSON with one line for each key and for each entry of an array: small, and good to diff."""
    separator = "{\n"
    for key, value in document.items():
        yield f"{separator}{json.dumps(key)}: "
        yield from _value(value)
        separator = ",\n"
    yield "\n}\n"


def _value(value: Any) -> Iterator[str]:
    if not isinstance(value, (list, Iterator)):
        yield _compact(value)
        return
    separator = "[\n "
    for entry in value:
        yield separator + _compact(entry)
        separator = ",\n "
    yield "[]" if separator == "[\n " else "\n]"


def _compact(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"))


# ---- parts of a check ----


def _totals(report: CheckReport) -> dict[str, Any]:
    found = totals(report)
    smallest = found.smallest
    return {
        "cases": found.cases,
        "simulated_ns": found.simulated_ns,
        "frames": found.frames,
        "rules_kept": found.kept,
        "rules_broken": found.broken,
        "rules_not_exercised": found.not_exercised,
        "smallest_margin": None
        if smallest is None
        else {
            "margin_ns": smallest.margin_ns,
            "subject": smallest.verdict.subject,
            "rule": smallest.verdict.rule,
            "case": smallest.case.name,
        },
    }


def _finding(report: CheckReport, finding: Finding) -> dict[str, Any]:
    return {
        **_named(report.vehicle, finding.verdict),
        "sentence": finding_sentence(report.vehicle, finding.verdict, finding.case),
        "case": finding.case.name,
        "situation": finding.case.situation,
        "fault": finding.case.fault,
        "fault_text": finding.case.text,
        "fault_ns": finding.case.fault_ns,
        "times": finding.times,
        "command": command(report, finding.case),
    }


def _story_of(told: Told | None, finding: Finding) -> dict[str, Any]:
    """The name of the story that tells a finding, or why there is none."""
    story = None if told is None else told.story(finding)
    if told is None or story is not None:
        return {"story": None if story is None else story.name, "story_missing": None}
    place = (finding.verdict.subject, finding.verdict.rule)
    return {"story": None, "story_missing": told.stories.untold.get(place, "interrupted")}


def _rule(report: CheckReport, entry: RuleResult) -> dict[str, Any]:
    tested = entry.verdict.outcome is not Outcome.NOT_EXERCISED
    return {
        **_named(report.vehicle, entry.verdict),
        "case": entry.case.name if tested and entry.case is not None else None,
    }


def _named(vehicle: Vehicle, verdict: Verdict) -> dict[str, Any]:
    """A verdict with the names of its fields, and the rule with what is declared for it."""
    fields = dict(zip(COLUMNS, verdict.row(), strict=True))
    return {**fields, "declared": rule_words(vehicle, verdict.subject, verdict.rule)}


def _table(report: CheckReport) -> list[list[Any]]:
    return [
        [subject, fault, cell.outcome.value, cell.margin_ns, list(cell.rules)]
        for subject in report.subjects
        for fault in report.faults
        for cell in (report.cells[subject, fault],)
    ]


def _case(case: CaseResult) -> dict[str, Any]:
    return {
        "name": case.name,
        "situation": case.situation,
        "fault": case.fault,
        "text": case.text,
        "fault_ns": case.fault_ns,
        "simulated_ns": case.simulated_ns,
        "frames": case.frames,
        "verdicts": [
            verdict.row()
            for verdict in case.verdicts
            if verdict.outcome is not Outcome.NOT_EXERCISED
        ],
    }


# ---- parts of a run ----


def _broken(result: RunResult, verdict: Verdict) -> dict[str, Any]:
    named = _named(result.scenario.vehicle, verdict)
    return {**named, "sentence": run_sentence(result, verdict)}


def _real(outside: Outside) -> dict[str, Any]:
    return {
        "nodes": list(outside.nodes),
        "delay_ns": outside.delay_ns,
        "doubt": outside.doubt,
    }
