"""What ``--json`` writes fits the schemas that ``linkloss schema`` prints, and has no secrets."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from demo_cases import narrow, wren
from report_values import mixed_report, report, run_result

from linkloss import load_scenario, run
from linkloss.cli import main
from linkloss.recording import OF_SEVERAL_BUSES
from linkloss.report.machine import check_json, run_json
from linkloss.report.schemas import check_result_schema, run_result_schema
from linkloss.shipped import demo_vehicle

jsonschema = pytest.importorskip("jsonschema", reason="needs jsonschema (extra 'test')")


def errors(schema: dict, document: dict) -> list[str]:
    found = jsonschema.Draft202012Validator(schema).iter_errors(document)
    return [f"{error.json_path}: {error.message}" for error in found]


def test_the_schemas_are_schemas():
    for schema in (check_result_schema(), run_result_schema()):
        jsonschema.Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("made", [mixed_report(), report()], ids=["mixed", "empty"])
def test_a_check_fits_its_schema(made):
    document = json.loads(check_json(made))
    assert errors(check_result_schema(), document) == []
    assert document.keys() == check_result_schema()["properties"].keys()


def test_a_real_check_fits_its_schema():
    made = narrow(wren(), ["unplug"], ["parked"], "rear")
    document = json.loads(check_json(made))
    assert document["cases"]
    assert errors(check_result_schema(), document) == []


def test_a_check_with_shrunk_stories_fits_its_schema(tmp_path, monkeypatch):
    car = tmp_path / "car"
    ignored = shutil.ignore_patterns("__pycache__")
    shutil.copytree(Path(__file__).parent / "tiny", car, ignore=ignored)
    monkeypatch.chdir(car)
    arguments = ["--only", "hang", "--jobs", "1", "--json", "c.json", "-q"]
    assert main(["check", "vehicle.toml", *arguments]) == 1
    document = json.loads((car / "c.json").read_text())
    assert document["stories"]
    assert errors(check_result_schema(), document) == []
    told = check_result_schema()
    for key in ("stories", "findings", "rules", "cases"):
        form = told["$defs"][told["properties"][key]["items"]["$ref"].rpartition("/")[2]]
        assert document[key][0].keys() == form["properties"].keys()


@pytest.mark.parametrize("name", ["tail_cable_pulled", "rear_browns_out", "two_dashes"])
def test_a_real_run_fits_its_schema(name):
    result = run(load_scenario(demo_vehicle().parent / f"{name}.toml"))
    document = json.loads(run_json(result))
    assert document["frames"]
    assert document["expected"]
    assert errors(run_result_schema(), document) == []
    known = run_result_schema()["properties"].keys()
    assert document.keys() == known - OF_SEVERAL_BUSES


def test_a_run_with_everything_in_it_fits_its_schema():
    assert errors(run_result_schema(), json.loads(run_json(run_result()))) == []


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"version": 2}, "$.version"),
        ({"format": "linkloss run"}, "$.format"),
        ({"exit_code": 7}, "$.exit_code"),
        ({"not_exercised": [["tail_lamp"]]}, "$.not_exercised[0]"),
        ({"table": [["a", "cut", "fine", 1, []]]}, "$.table[0][2]"),
        ({"findings": [{"subject": "a"}]}, "$.findings[0]"),
        ({"cases": [{"name": 3}]}, "$.cases[0]"),
    ],
)
def test_the_schema_refuses_what_is_no_result(change, where):
    document = {**json.loads(check_json(mixed_report())), **change}
    found = errors(check_result_schema(), document)
    assert found
    assert all(error.startswith(where) for error in found)


def test_a_key_that_is_missing_is_refused():
    document = json.loads(check_json(mixed_report()))
    del document["rules"]
    assert errors(check_result_schema(), document) == ["$: 'rules' is a required property"]


def test_a_key_that_came_later_is_none_of_a_readers_business():
    document = {**json.loads(check_json(mixed_report())), "colour": "green"}
    assert errors(check_result_schema(), document) == []
