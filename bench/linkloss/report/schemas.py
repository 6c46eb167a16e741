"""The JSON Schemas of what ``--json`` writes, for the programs that read it.

The version of a format goes up when a key goes away or changes its meaning. New keys may come
without that, so a reader has to pass over what it does not know.

JSON Schemas of the files that users write, so that an editor can complete and check them.
"""

from __future__ import annotations

import json
from typing import Any, Literal

from pydantic import BaseModel

from linkloss.faults.catalogue import catalogue
from linkloss.judge import Outcome
from linkloss.judge.verdict import COLUMNS, Cause
from linkloss.report.machine import CHECK_VERSION, FRAME_COLUMNS, OUTSIDE_COLUMNS, RUN_VERSION
from linkloss.scenario import ScenarioFile
from linkloss.units import write_duration
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.tables import VehicleFile

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
Schema = dict[str, Any]
FileKind = Literal["vehicle", "scenario"]


def schema_text(kind: FileKind) -> str:
    """The JSON Schema of a vehicle or scenario file, as text."""
    made = vehicle_schema() if kind == "vehicle" else scenario_schema()
    return json.dumps(made, indent=2) + "\n"


def vehicle_schema() -> Schema:
    """The schema of a vehicle file. ``defaults`` takes the keys of a load, none of them needed."""
    schema = _of(VehicleFile)
    load = schema["$defs"][LoadTable.__name__]
    defaults = {key: value for key, value in load.items() if key != "required"}
    defaults["description"] = schema["properties"]["defaults"]["description"]
    schema["properties"]["defaults"] = defaults
    bus = schema["properties"]["bus"]
    named = {"type": "object", "additionalProperties": bus, "minProperties": 1, "maxProperties": 1}
    schema["properties"]["bus"] = {"anyOf": [bus, named]}
    return {"$schema": _DIALECT, **schema}


def scenario_schema() -> Schema:
    """The schema of a scenario file: a step sets inputs, or is one of the faults with its own
    parameters.
    """
    schema = _of(ScenarioFile)
    step = schema["$defs"].pop("Step")
    forms = {"StepSet": _step(step, "set", {})}
    for kind, form in catalogue().items():
        fault = _of(form)
        schema["$defs"].update(fault.pop("$defs", {}))
        fault["properties"]["fault"] = {"const": kind, "description": fault.pop("description", "")}
        forms[f"Step_{kind}"] = _step(step, "fault", fault)
    schema["$defs"].update(forms)
    schema["properties"]["steps"]["items"] = {
        "oneOf": [{"$ref": f"#/$defs/{name}"} for name in forms]
    }
    return {"$schema": _DIALECT, **schema}


def _step(step: Schema, thing: str, parameters: Schema) -> Schema:
    """A step of one form: it has ``set`` or ``fault``, and needs what that form needs."""
    common = ("at", "set") if thing == "set" else ("at", "until", "lasts")
    properties = {key: step["properties"][key] for key in common}
    return {
        "type": "object",
        "properties": {**properties, **parameters.get("properties", {})},
        "required": ["at", thing, *parameters.get("required", [])],
        "additionalProperties": False,
    }


def _of(model: type[BaseModel]) -> Schema:
    found: Schema = _tidied(model.model_json_schema(by_alias=True))
    return found


def _tidied(node: Any) -> Any:
    """What pydantic says, in the words of a TOML file: no null, durations with their unit."""
    if isinstance(node, list):
        return [_tidied(entry) for entry in node]
    if not isinstance(node, dict):
        return node
    made = {key: _tidied(value) for key, value in node.items()}
    options = made.get("anyOf")
    if isinstance(options, list) and {"type": "null"} in options:
        left = [option for option in options if option != {"type": "null"}]
        del made["anyOf"]
        made = {**(left[0] if len(left) == 1 else {"anyOf": left}), **made}
    if "default" in made and made["default"] is None:
        del made["default"]
    if isinstance(made.get("default"), int) and made.get("type") == "string":
        made["default"] = write_duration(made["default"])
    if isinstance(made.get("title"), str):
        del made["title"]
    return made


_TEXT: Schema = {"type": "string"}
_NUMBER: Schema = {"type": "integer"}
_FLAG: Schema = {"type": "boolean"}
_NS: Schema = {"type": "integer", "description": "nanoseconds"}
_MAYBE_NS: Schema = {"type": ["integer", "null"], "description": "nanoseconds, if there are any"}
_MAYBE_TEXT: Schema = {"type": ["string", "null"]}
_OUTCOME: Schema = {"enum": [outcome.value for outcome in Outcome]}
_VALUE: Schema = {"type": ["string", "number"], "description": "value of an input"}


def check_result_schema() -> Schema:
    """The schema of the result of a check."""
    return _document(
        "linkloss check",
        CHECK_VERSION,
        "Result of a check: every rule of a vehicle under every fault that was tried",
        {
            "exit_code": {"enum": [0, 1, 2, 3], "description": "as the command returns it"},
            "outcome": _said(_TEXT, "what the check amounts to, in one sentence"),
            "totals": _totals(),
            "space": {
                "type": ["array", "null"],
                "items": _TEXT,
                "description": "what the cases were chosen from, and what was left out",
            },
            "notes": _said(_list(_TEXT), "what cannot be tried out in these programs"),
            "reached": _object({"combinations": _NUMBER, "columns": _list(_TEXT), "table": {}}),
            "findings": _said(_list(_finding()), "the broken rules, each with its plainest case"),
            "stories": _said(
                _list(_story()), "what broke, as short as it became, most telling first"
            ),
            "not_exercised": _said(
                _list(_row(_TEXT, _TEXT)), "[subject, rule] of what no case put to the test"
            ),
            "unjudged": _said(
                _list(_row(_TEXT, _TEXT, _TEXT)),
                "[what, why, why it may be so by the vehicle file or empty] of what no rule judges",
            ),
            "rules": _said(_list(_rule()), "every declared rule by its worst verdict"),
            "faults": _said(_list(_TEXT), "kinds of faults, the columns of the table"),
            "groups": _said(_map(_list(_TEXT)), "the subjects by what they are"),
            "table_columns": _list(_TEXT),
            "table": _list(_row(_TEXT, _TEXT, _OUTCOME, _MAYBE_NS, _list(_TEXT))),
            "verdict_columns": {"const": list(COLUMNS)},
            "cases": _list(_case()),
        },
    )


def run_result_schema() -> Schema:
    """The schema of the result of a run: verdicts, and the whole recording."""
    return _document(
        "linkloss run",
        RUN_VERSION,
        "Result of one scenario: its verdicts and everything that happened",
        {
            "scenario": _said(_TEXT, "name of the file without its extension"),
            "title": _TEXT,
            "situation": _TEXT,
            "beginning": _said(_map(_VALUE), "the inputs at power-up"),
            "real": {
                "type": ["object", "null"],
                "description": "the nodes that were real, and the way to them in ns",
            },
            "exit_code": {"enum": [0, 1, 3], "description": "as the command returns it"},
            "broken": _list(_object({**_verdict_fields(), "declared": _TEXT, "sentence": _TEXT})),
            "verdict_columns": {"const": list(COLUMNS)},
            "verdicts": _list(_verdict_row()),
            "expected": _list(_expectation()),
            **_recording(),
        },
    )


# ---- what documents are made of ----


def _document(name: str, version: int, title: str, fields: Schema) -> Schema:
    common = {
        "format": {"const": name},
        "version": {"const": version},
        "vehicle": _said(_TEXT, "title of the vehicle"),
        "vehicle_file": _TEXT,
        "content": _said(_MAYBE_TEXT, "digest of the vehicle's files"),
        "seed": _NUMBER,
        "caution": _said(_TEXT, "what a result is not"),
    }
    return {"$schema": _DIALECT, "title": title, **_object({**common, **fields})}


def _object(fields: Schema) -> Schema:
    return {"type": "object", "properties": fields, "required": list(fields)}


def _list(entry: Schema) -> Schema:
    return {"type": "array", "items": entry}


def _map(entry: Schema) -> Schema:
    return {"type": "object", "additionalProperties": entry}


def _row(*cells: Schema) -> Schema:
    """An array with as many places as there are columns."""
    return {"type": "array", "prefixItems": list(cells), "minItems": len(cells), "items": False}


def _said(schema: Schema, description: str) -> Schema:
    return {**schema, "description": description}


# ---- parts of a check ----


def _verdict_fields() -> Schema:
    cause = {"enum": [None, *(cause.name.lower() for cause in Cause)]}
    cells = (
        _TEXT, _TEXT, _OUTCOME, _MAYBE_NS, _MAYBE_NS, _MAYBE_NS,
        _said(cause, "what was wrong"),
        _said(_TEXT, "what was there"),
        _said(_TEXT, "what was to be there"),
        _said(_list(_TEXT), "what else its words name"),
        _said(_NUMBER, "how many more of the kind"),
        _said(_TEXT, "the node to look at"),
        _said(_TEXT, "all of it in words"),
    )  # fmt: skip
    return dict(zip(COLUMNS, cells, strict=True))


def _verdict_row() -> Schema:
    return _row(*_verdict_fields().values())


def _totals() -> Schema:
    smallest = _object({"margin_ns": _NS, "subject": _TEXT, "rule": _TEXT, "case": _TEXT})
    return _object(
        {
            "cases": _NUMBER,
            "simulated_ns": _NS,
            "frames": _NUMBER,
            "rules_kept": _NUMBER,
            "rules_broken": _NUMBER,
            "rules_not_exercised": _NUMBER,
            "smallest_margin": {"anyOf": [{"type": "null"}, smallest]},
        }
    )


def _finding() -> Schema:
    return _object(
        {
            **_verdict_fields(),
            "declared": _said(_TEXT, "the rule with what the vehicle declares for it"),
            "sentence": _said(_TEXT, "the finding in plain words"),
            "case": _TEXT,
            "situation": _TEXT,
            "fault": _TEXT,
            "fault_text": _TEXT,
            "fault_ns": _MAYBE_NS,
            "times": _said(_NUMBER, "how many cases show it"),
            "command": _said(_TEXT, "the command that shows it again"),
            "story": _said(_MAYBE_TEXT, "name of the story that tells it, if there is one"),
            "story_missing": _said(_MAYBE_TEXT, "why there is none, where one was looked for"),
        }
    )


def _story() -> Schema:
    fault = _row(_NS, _MAYBE_NS, _TEXT, _TEXT)
    return _object(
        {
            "name": _TEXT,
            "sentence": _said(_TEXT, "what happens, in order"),
            "file": _said(_MAYBE_TEXT, "the scenario file that runs it alone"),
            "command": _MAYBE_TEXT,
            "cause": _said(_NUMBER, "the same for stories that seem to have one cause"),
            "findings_with_this_cause": _NUMBER,
            "tells": _said(_list(_row(_TEXT, _TEXT)), "the findings, as [subject, rule]"),
            "case": _said(_TEXT, "what it was shrunk from"),
            "beginning": _map(_VALUE),
            "actions": _list(_row(_NS, _map(_VALUE))),
            "faults": _said(_list(fault), "as [from ns, until ns, kind, name]"),
            "lasts_ns": _NS,
            "without": {
                "type": "array",
                "items": {"enum": [None, *(outcome.value for outcome in Outcome)]},
                "description": "the rule without each fault, then without each action",
            },
            "minimal": _FLAG,
            "ran_out": _said(_FLAG, "more runs may make it shorter"),
        }
    )


def _rule() -> Schema:
    return _object({**_verdict_fields(), "declared": _TEXT, "case": _MAYBE_TEXT})


def _case() -> Schema:
    return _object(
        {
            "name": _TEXT,
            "situation": _TEXT,
            "fault": _TEXT,
            "text": _TEXT,
            "fault_ns": _MAYBE_NS,
            "simulated_ns": _NS,
            "frames": _NUMBER,
            "verdicts": _said(_list(_verdict_row()), "of the rules that it put to the test"),
        }
    )


# ---- parts of a run ----


def _expectation() -> Schema:
    return _object(
        {
            "load": _TEXT,
            "state": {"enum": ["off", "on", "flash"]},
            "from_ns": _NS,
            "to_ns": _NS,
            "outcome": _OUTCOME,
            "at_ns": _MAYBE_NS,
            "observed": _TEXT,
            "text": _TEXT,
        }
    )


def _recording() -> Schema:
    inputs = _list(_row(_NS, _VALUE))
    fault = {
        "kind": _TEXT,
        "text": _TEXT,
        "group": _TEXT,
        "content": _FLAG,
        "nodes": _list(_TEXT),
        "applied_ns": _NS,
        "cleared_ns": _MAYBE_NS,
        "loads": _said(_list(_TEXT), "that cannot do as they are told while it is there"),
    }
    levels = _list(_row(_NS, {"type": "number"}))
    return {
        "end_ns": _NS,
        "logged": _said(_list(_TEXT), "nodes whose frames come from a log"),
        "shift": {
            "type": ["object", "null"],
            "description": "how a log lies in the time of the run",
        },
        "actions": _list(_row(_NS, _map(_VALUE))),
        "faults": _list(_object(fault)),
        "inputs": _said(_map(inputs), "what each input truly was, as [ns, value]"),
        "seen": _said(_map(_map(inputs)), "what each node read of it"),
        "outputs": _said(_map(levels), "level of each load, 0 to 1"),
        "commands": _map(_list(_row(_NS, {"type": ["number", "null"]}))),
        "volts": _said(_map(levels), "voltage at each node; empty on an ideal supply"),
        "amps": _said(_map(levels), "current into each load"),
        "driven": _said(_map(levels), "its level, had nothing been wrong behind its node"),
        "trips": _said(
            _map(_list(_row(_NS, _TEXT))), "what its switch reports while it has tripped"
        ),
        "fuses": _said(_list(_fuse()), "that opened by what flew through them"),
        "node_columns": _list(_TEXT),
        "nodes": _map(_list(_row(_NS, _TEXT, _TEXT, _TEXT))),
        "controller_columns": _list(_TEXT),
        "controllers": _map(_list(_row(_NS, _TEXT, _NUMBER, _NUMBER))),
        "crashes": _list(_object({"node": _TEXT, "at_ns": _NS, "where": _TEXT, "text": _TEXT})),
        "handed_columns": _list(_TEXT),
        "handed": _said(_map(_list(_row(_NS, _TEXT, _FLAG))), "what programs handed over"),
        "foreign_columns": _list(_TEXT),
        "foreign": _said(
            _list(_row(_NS, _TEXT, _NUMBER, _FLAG, _TEXT, _FLAG)),
            "what programs handed over that is not theirs to send",
        ),
        "outside_columns": {"const": list(OUTSIDE_COLUMNS)},
        "outside": _said(_list({"type": "array"}), "what programs and real nodes outside did"),
        "frame_columns": {"const": list(FRAME_COLUMNS)},
        "frames": _list(_frame()),
    }


def _fuse() -> Schema:
    return _object(
        {
            "at_ns": _NS,
            "what": _TEXT,
            "loads": _list(_TEXT),
            "nodes": _list(_TEXT),
            "by": {"enum": ["fault", "car"]},
        }
    )


def _frame() -> Schema:
    names = _list(_TEXT)
    head = (_NS, _NS, _TEXT, _NUMBER, _FLAG, _FLAG, _NUMBER)
    fd = {
        "type": ["array", "null"],
        "items": _FLAG,
        "description": "of a CAN FD frame: bit rate switch, error state indicator",
    }
    return _row(*head, _said(_TEXT, "in hexadecimal"), names, _MAYBE_TEXT, names, names, fd)
