"""What the schema of the files says, the loader takes: every default and every example."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from pydantic import BaseModel

from linkloss.faults.catalogue import catalogue
from linkloss.problem import BadInput
from linkloss.report.schemas import scenario_schema, vehicle_schema
from linkloss.units import _UNITS, ascii_unit, parse_quantity, shown_unit
from linkloss.vehicle.tables import VehicleFile
from linkloss.vehicle.toml import Source

SOURCE = Source(Path("vehicle.toml"), "")
GIVEN: dict[str, Any] = {
    "Action": {"at": "1 s", "set": {"lights": "on"}},
    "BusTable": {"bit_rate": "250 kbit/s", "cable": ["dash", "rear"]},
    "ElectricalTable": {"kind": "motor", "amps": "5 A"},
    "PinTable": {"pin": 3},
    "SenseTable": {"pin": 3},
    "SpiCanTable": {"select": 53},
    "TriesTable": {"most": 3, "pause": "500 ms"},
    "DriveTable": {"line": "out1", "positions": ["on"]},
    "FilterTable": {"id": 1},
    "InputTable": {"wired_to": ["dash"], "positions": ["off", "on"]},
    "NoticeTable": {"lost": "rear", "signal": "A.B", "within": "1 s"},
    "NodeTable": {"python": "dash.py:Dash", "boot": "100 ms"},
    "LoadTable": {"node": "rear", "request": "A.B", "stale_after": "250 ms", "on_stale": "on"},
}
"""Tables in which the required keys are not all that has to be there."""
BESIDE = {
    ("ElectricalTable", "watts"): {"kind": "motor"},
    ("ElectricalTable", "soft_start"): {"kind": "motor", "amps": "5 A"},
    ("LoadTable", "hold_for"): {**GIVEN["LoadTable"], "on_stale": "hold", "then": "off"},
    ("LoadTable", "then"): {**GIVEN["LoadTable"], "on_stale": "hold", "hold_for": "1 s"},
    ("LoadTable", "level"): GIVEN["LoadTable"],
    ("NodeTable", "clock"): {"image": "rear.elf", "chip": "atmega328p", "boot": "100 ms"},
    ("NodeTable", "sleeps_when"): {**GIVEN["NodeTable"], "asleep_within": "1 s"},
    ("NodeTable", "asleep_within"): {**GIVEN["NodeTable"], "sleeps_when": "lights == off"},
    ("RouteTable", "when_stale"): {
        "from": "A.B",
        "to": "C.D",
        "latency": "50 ms",
        "stale_after": "250 ms",
        "on_stale": "default",
    },
    ("NoticeTable", "longest"): {"stuck": "horn", "signal": "A.B", "within": "1 s"},
}
"""What has to stand beside a key so that it makes sense."""


def models(form: type[BaseModel] = VehicleFile) -> dict[str, type[BaseModel]]:
    """The tables of a vehicle file by name."""
    found: dict[str, type[BaseModel]] = {}

    def look(hint: Any) -> None:
        if isinstance(hint, type) and issubclass(hint, BaseModel) and hint.__name__ not in found:
            found[hint.__name__] = hint
            for field in hint.model_fields.values():
                look(field.annotation)
        for part in getattr(hint, "__args__", ()):
            look(part)

    look(form)
    return found


MODELS = models()
SCHEMA = vehicle_schema()


def told(table: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    """What a table's schema says of the values of its keys: (key, default or example)."""
    for key, form in table["properties"].items():
        values = [*form.get("examples", []), *form.get("enum", [])]
        if "default" in form and form["default"] not in values:
            values.append(form["default"])
        yield from ((key, value) for value in values)


ALL = [
    pytest.param(name, key, value, id=f"{name}-{key}-{value}")
    for name, table in SCHEMA["$defs"].items()
    for key, value in told(table)
]


def beside(name: str, key: str) -> dict[str, Any]:
    """The smallest table that may hold the key."""
    table = SCHEMA["$defs"][name]
    needed = {each: table["properties"][each] for each in table.get("required", [])}
    least = {
        each: form.get("examples", form.get("enum", ["x"]))[0] for each, form in needed.items()
    }
    return BESIDE.get((name, key), GIVEN.get(name, least))


@pytest.mark.parametrize("name, key, value", ALL)
def test_the_loader_takes_what_the_schema_tells(name, key, value):
    table = {**beside(name, key), key: value}
    assert (
        list(
            Draft202012Validator({"$defs": SCHEMA["$defs"], **SCHEMA["$defs"][name]}).iter_errors(
                table
            )
        )
        == []
    )
    SOURCE.parse(MODELS[name], table)


def test_the_tables_are_found_and_none_tells_nothing():
    assert set(SCHEMA["$defs"]) <= set(MODELS)
    assert len(ALL) > 120
    with pytest.raises(BadInput, match=r"got 12\.6; expected a voltage with its unit"):
        SOURCE.parse(MODELS["SupplyTable"], {"battery": 12.6})


STEPS = [
    pytest.param(kind, key, value, id=f"{kind}-{key}-{value}")
    for kind in catalogue()
    for key, value in told(scenario_schema()["$defs"][f"Step_{kind}"])
    if key in catalogue()[kind].model_fields
]


@pytest.mark.parametrize("kind, key, value", STEPS)
def test_a_fault_takes_what_the_schema_tells_of_its_parameters(kind, key, value):
    form = catalogue()[kind]
    given = {"node": "rear", "message": "A", "between": ["a", "b"], "input": "i", "load": "l"}
    given |= {"beside": "rear", "receiver": "dash", "offset": "1 V", "contact": "CAN_H-CAN_L"}
    given |= {"share": "1 %", "bit_rate": "125 kbit/s", "terminators": 1, "form": "longer"}
    kept = {each: given[each] for each, field in form.model_fields.items() if field.is_required()}
    SOURCE.parse(form, {**kept, key: value})


WRITTEN = [
    ("\u00b5", "u"),
    ("\u03bc", "u"),
    ("\u03a9", "ohm"),
    ("\u2126", "ohm"),
    ("\u00b0C", "degC"),
]


@pytest.mark.parametrize("sign, plain", WRITTEN)
def test_units_are_read_as_people_write_them(sign, plain):
    found = [(kind, unit) for kind, units in _UNITS.items() for unit in units if plain in unit]
    assert found
    for kind, unit in found:
        written = f"2.5 {unit.replace(plain, sign)}"
        assert parse_quantity(written, kind) == parse_quantity(f"2.5 {unit}", kind)


@given(st.sampled_from([(kind, unit) for kind, units in _UNITS.items() for unit in units]))
def test_a_unit_in_plain_letters_stays_what_it_is(entry):
    kind, unit = entry
    assert ascii_unit(unit) == unit
    assert parse_quantity(f"1 {unit}", kind) == _UNITS[kind][unit]


def test_units_are_shown_as_people_write_them():
    assert shown_unit("1.5 mm2 carries it at 40 degC") == "1.5 mm\u00b2 carries it at 40 \u00b0C"
    assert shown_unit("comm2 mm23 degCs") == "comm2 mm23 degCs"
