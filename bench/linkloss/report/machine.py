"""Results as JSON, for programs: what the screen says, in whole nanoseconds, the same every time.

Tables with many rows are arrays of arrays; the names of their columns stand beside them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from linkloss.campaign.result import (
    CAUTION,
    CaseResult,
    CheckReport,
    Finding,
    RuleResult,
    RunResult,
)
from linkloss.judge import Outcome, Verdict
from linkloss.model.loading import Vehicle
from linkloss.outside import Outside
from linkloss.report.findings import Told
from linkloss.report.inputs import content_now
from linkloss.report.reach import combinations, judged_in
from linkloss.report.story_fields import story_fields
from linkloss.report.table import groups
from linkloss.report.totals import totals
from linkloss.report.trace import recording_fields
from linkloss.report.words import command, finding_sentence, outcome_line, rule_words, run_sentence

CHECK_VERSION = 1
RUN_VERSION = 1

VERDICT_COLUMNS = (
    "subject",
    "rule",
    "outcome",
    "margin_ns",
    "at_ns",
    "wrong_for_ns",
    "text",
    "culprit",
)


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
            "verdict_columns": list(VERDICT_COLUMNS),
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
            "verdict_columns": list(VERDICT_COLUMNS),
            "verdicts": [_verdict(verdict) for verdict in result.verdicts],
            "expected": [
                {
                    "load": entry.load,
                    "state": entry.state,
                    "from_ns": entry.from_ns,
                    "to_ns": entry.to_ns,
                    "outcome": verdict.outcome.value,
                    "at_ns": verdict.at_ns,
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
    fields = dict(zip(VERDICT_COLUMNS, _verdict(verdict), strict=True))
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
            _verdict(verdict)
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


def _verdict(verdict: Verdict) -> list[Any]:
    return [
        verdict.subject,
        verdict.rule,
        verdict.outcome.value,
        verdict.margin_ns,
        verdict.at_ns,
        verdict.wrong_for_ns,
        verdict.text,
        verdict.culprit,
    ]
