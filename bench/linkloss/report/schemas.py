"""JSON Schemas of what ``--json`` writes, for programs that read it, and of the files that users
write, so that an editor can complete and check them.
"""

from __future__ import annotations

import json
from typing import Any, Literal

from pydantic import BaseModel, TypeAdapter

from linkloss.campaign.result import RunDocument
from linkloss.document import DIALECT, Schema, schema_of
from linkloss.faults.catalogue import catalogue
from linkloss.recording import OF_SEVERAL_BUSES, RowColumns, recording_form
from linkloss.report.machine import Cases, CheckDocument
from linkloss.report.mutants_report import MutantsDocument
from linkloss.scenario import ScenarioFile
from linkloss.units import QUANTITY, write_quantity
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.tables import VehicleFile

FileKind = Literal["vehicle", "scenario"]


def schema_text(kind: FileKind) -> str:
    """The JSON Schema of a vehicle or scenario file, as text."""
    made = vehicle_schema() if kind == "vehicle" else scenario_schema()
    return json.dumps(made, indent=2) + "\n"


def vehicle_schema() -> Schema:
    """The schema of a vehicle file. ``defaults`` takes the keys of a load, all optional."""
    schema = _of(VehicleFile)
    load = schema["$defs"][LoadTable.__name__]
    defaults = {key: value for key, value in load.items() if key != "required"}
    defaults["description"] = schema["properties"]["defaults"]["description"]
    schema["properties"]["defaults"] = defaults
    buses = schema["properties"]["bus"]
    bus = {**buses["additionalProperties"], "description": buses["description"]}
    named = {"type": "object", "additionalProperties": bus, "minProperties": 1}
    schema["properties"]["bus"] = {"anyOf": [bus, named]}
    own = {"additionalProperties": {"type": "object", "required": ["dbc"]}}
    schema["anyOf"] = [{"required": ["dbc"]}, {"properties": {"bus": own}}]
    return {"$schema": DIALECT, **schema}


def scenario_schema() -> Schema:
    """The schema of a scenario file. A step sets inputs, or is a fault with the parameters of its
    kind.
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
    return {"$schema": DIALECT, **schema}


def _step(step: Schema, thing: str, parameters: Schema) -> Schema:
    """A step of one form: it has ``set`` or ``fault``, and what that form requires."""
    common = ("at", "set") if thing == "set" else ("at", "until", "lasts")
    properties = {key: step["properties"][key] for key in common}
    return {
        "type": "object",
        "properties": {**properties, **parameters.get("properties", {})},
        "required": ["at", thing, *parameters.get("required", [])],
        "additionalProperties": False,
    }


def _of(model: type[BaseModel]) -> Schema:
    found: Schema = _without_quantities(_tidied(model.model_json_schema(by_alias=True)))
    return found


def _tidied(node: Any) -> Any:
    """The schema of pydantic in terms of a TOML file: no null, durations with their unit."""
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
    if "default" in made:
        bare, made["default"] = made["default"], _as_written(made["default"], made)
        if QUANTITY in made and bare:
            made["examples"] = [made["default"]]  # it fits beside the defaults of the other keys
    if isinstance(made.get("title"), str):
        del made["title"]
    return made


def _as_written(default: Any, form: Schema) -> Any:
    """A default as a file has it: a quantity with its unit."""
    if isinstance(default, list | tuple) and "prefixItems" in form:
        return [_as_written(*pair) for pair in zip(default, form["prefixItems"], strict=True)]
    if QUANTITY in form and isinstance(default, int | float):
        return write_quantity(default, form[QUANTITY])
    return default


def _without_quantities(node: Any) -> Any:
    """A schema as others know it: the kinds of quantities were for us."""
    if isinstance(node, list):
        return [_without_quantities(entry) for entry in node]
    if not isinstance(node, dict):
        return node
    return {key: _without_quantities(value) for key, value in node.items() if key != QUANTITY}


def check_result_schema() -> Schema:
    """The schema of the result of a check."""
    title = "Result of a check: every rule of a vehicle under every fault that was tried"
    return schema_of(title, TypeAdapter(CheckDocument), TypeAdapter(Cases))


def run_result_schema() -> Schema:
    """The schema of the result of a run: its verdicts and the whole recording."""
    title = "Result of one scenario: its verdicts and everything that happened"
    made = schema_of(title, TypeAdapter(RunDocument), recording_form(), TypeAdapter(RowColumns))
    made["required"] = [key for key in made["required"] if key not in OF_SEVERAL_BUSES]
    return made


def mutants_result_schema() -> Schema:
    """The schema of the score of a check."""
    title = "Score of a check: which of the mistakes planted into a program it catches"
    return schema_of(title, TypeAdapter(MutantsDocument))


RESULT_SCHEMAS = {
    "check": check_result_schema,
    "run": run_result_schema,
    "mutants": mutants_result_schema,
}
"""What makes the schema of each kind of result."""
