"""The JSON Schemas know every key of the files that are shipped."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest

from linkloss.faults.catalogue import catalogue
from linkloss.report.schemas import scenario_schema, schema_text, vehicle_schema
from linkloss.shipped import demo_vehicle

SCENARIOS = sorted(path for path in demo_vehicle().parent.glob("*.toml") if path != demo_vehicle())


def problems(schema: dict, node: dict, value: object, where: str = "") -> list[str]:
    """What a value breaks of the part of JSON Schema that is used here."""
    if "$ref" in node:
        node = {**schema["$defs"][node["$ref"].removeprefix("#/$defs/")], **node, "$ref": None}
    for word in ("anyOf", "oneOf"):
        if word in node:
            tries = [problems(schema, option, value, where) for option in node[word]]
            good = sum(1 for found in tries if not found)
            wanted = good == 1 if word == "oneOf" else good > 0
            if not wanted:
                return [f"{where}: {good} forms fit: {min(tries, key=len)}"]
    found = []
    if "const" in node and value != node["const"]:
        found.append(f"{where}: {value!r} is not {node['const']!r}")
    if "enum" in node and value not in node["enum"]:
        found.append(f"{where}: {value!r} is not in {node['enum']}")
    if "pattern" in node and isinstance(value, str) and not re.search(node["pattern"], value):
        found.append(f"{where}: {value!r} does not match {node['pattern']}")
    kinds = {
        "string": str,
        "number": (int, float),
        "integer": int,
        "boolean": bool,
        "array": list,
        "object": dict,
    }
    types = [node["type"]] if isinstance(node.get("type"), str) else node.get("type", [])
    if types and not any(isinstance(value, kinds[name]) for name in types):
        return [*found, f"{where}: {value!r} is no {node['type']}"]
    if isinstance(value, dict):
        known = node.get("properties", {})
        more = node.get("additionalProperties", True)
        found += [f"{where}: lacks {key}" for key in node.get("required", []) if key not in value]
        for key, entry in value.items():
            if key in known or isinstance(more, dict):
                found += problems(schema, known.get(key, more), entry, f"{where}.{key}")
            elif more is False:
                found.append(f"{where}: unknown key {key}")
    if isinstance(value, list) and "items" in node:
        for index, entry in enumerate(value):
            found += problems(schema, node["items"], entry, f"{where}[{index}]")
    return found


def test_the_demo_vehicle_fits_the_schema():
    schema = vehicle_schema()
    assert problems(schema, schema, tomllib.loads(demo_vehicle().read_text())) == []


def test_each_of_several_buses_names_its_own_definition_and_of_one_the_file_may():
    schema = vehicle_schema()
    document = tomllib.loads(demo_vehicle().read_text())
    dbc, bus = document.pop("dbc"), document.pop("bus")
    body = {"bit_rate": "125 kbit/s", "cable": ["dash"]}
    two = {"engine": {**bus, "dbc": dbc}, "body": {**body, "dbc": "body.dbc"}}
    assert problems(schema, schema, {**document, "bus": two}) == []
    for wrong in (bus, {**two, "body": body}):
        assert "lacks dbc" in "".join(problems(schema, schema, {**document, "bus": wrong}))


@pytest.mark.parametrize("state", ["hold", "30 %", "hazard == on", "lights in [off, dipped]"])
def test_a_state_for_a_lost_link_is_a_word_a_level_or_a_condition(state):
    schema = vehicle_schema()
    document = tomllib.loads(demo_vehicle().read_text())
    document["loads"]["tail_left"]["on_stale"] = state
    assert problems(schema, schema, document) == []


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_every_shipped_scenario_fits_the_schema(path: Path):
    schema = scenario_schema()
    assert problems(schema, schema, tomllib.loads(path.read_text())) == []


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"tilte": "x"}, "unknown key tilte"),
        ({"bus": {"bit_rate": "250 kbit/s"}}, "lacks cable"),
        ({"loads": {"a": {"node": "rear", "on_stale": "maybe"}}}, "'maybe' is not in"),
        ({"loads": {"a": {"node": "rear", "on_reset": "hazard == on"}}}, "'hazard == on' is not"),
        ({"defaults": {"on_stael": "off"}}, "unknown key on_stael"),
        ({"dbc": 3}, "3 is no string"),
    ],
)
def test_the_vehicle_schema_refuses_mistakes(change, where):
    schema = vehicle_schema()
    document = {**tomllib.loads(demo_vehicle().read_text()), **change}
    assert where in "\n".join(problems(schema, schema, document))


@pytest.mark.parametrize(
    "step",
    [
        {"at": "1 s"},
        {"at": "1 s", "fault": "cutt", "between": ["a", "b"]},
        {"at": "1 s", "fault": "cut"},
        {"at": "1 s", "fault": "cut", "between": ["a", "b"], "node": "a"},
        {"at": "1 s", "fault": "cut", "between": ["a", "b"], "set": {"x": 1}},
        {"set": {"x": 1}},
    ],
)
def test_the_scenario_schema_refuses_a_step_that_no_form_fits(step):
    schema = scenario_schema()
    document = {"title": "t", "vehicle": "v", "lasts": "1 s", "steps": [step]}
    assert problems(schema, schema, document)


def test_every_fault_has_its_form_of_a_step_with_its_parameters():
    forms = scenario_schema()["$defs"]
    for kind, form in catalogue().items():
        properties = forms[f"Step_{kind}"]["properties"]
        assert set(form.model_fields) <= set(properties)
        assert properties["fault"]["const"] == kind


@pytest.mark.parametrize("kind", ["vehicle", "scenario"])
def test_a_schema_speaks_of_units_and_never_of_null(kind):
    text = schema_text(kind)
    assert "null" not in text
    assert "000000" not in text
    assert json.loads(text)["$schema"].startswith("https://json-schema.org/")


def test_a_default_duration_is_written_with_its_unit():
    load = vehicle_schema()["$defs"]["LoadTable"]["properties"]
    assert load["rejoin"]["default"] == "1 s"
    assert load["rejoin"]["type"] == "string"
