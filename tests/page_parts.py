"""The parts of the READMEs that are made from the code, so that they cannot say anything else.

A part stands between ``<!-- made: NAME -->`` and ``<!-- end -->``. After a change to a table of the
vehicle file, a fault or a room write them anew from the top of a checkout:

    .venv/bin/python tests/page_parts.py
"""

from __future__ import annotations

import ast
import inspect
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from test_house import FLOORS

from linkloss.desk.fault_ways import ways
from linkloss.faults.catalogue import catalogue
from linkloss.report.schemas import scenario_schema, vehicle_schema
from linkloss.shipped import demo_vehicle
from linkloss.units import _UNITS, ascii_unit
from linkloss.vehicle.desk_wiring import IoTable
from linkloss.vehicle.loading import load_vehicle

ROOT = Path(__file__).parents[1]
PART = re.compile(r"(<!-- made: ([\w ]+) -->\n)(.*?)(<!-- end -->)", re.DOTALL)
Schema = dict[str, Any]


def floors() -> Iterator[str]:
    """The floors of the house, with what each room's own docstring says first."""
    yield "| floor | room | what it is for |"
    yield "|---|---|---|"
    for number, rooms in enumerate(FLOORS, start=1):
        names = sorted(rooms)
        purposes = "; ".join(_purpose(room) for room in names)
        yield f"| {number} | {', '.join(f'`{room}`' for room in names)} | {purposes} |"


def _purpose(room: str) -> str:
    """The first sentence of a docstring as a phrase, as far as its first colon."""
    home = ROOT / "bench" / "linkloss" / room
    file = home / "__init__.py" if home.is_dir() else home.with_suffix(".py")
    text = ast.get_docstring(ast.parse(file.read_text(encoding="utf-8")))
    assert text, f"{file} does not say what it is for"
    sentence = re.split(r"[.:](?:\s|$)", " ".join(text.split("\n\n")[0].split()))[0]
    text = sentence.replace("``", "`")
    return text if text[1].isupper() else text[0].lower() + text[1:]


def vehicle_tables() -> Iterator[str]:
    """Every table and key of a vehicle file, by its schema."""
    schema = vehicle_schema()
    plain = {key: value for key, value in schema["properties"].items() if not _tables(value)}
    yield from ["#### At the top of the file", ""]
    known = schema["$defs"]
    yield from _rows({"properties": plain, "required": schema["required"]}, known)
    for place, table in _places("", schema, known, set()):
        yield from ["", f"#### {place}", "", _text(table) + ".", ""]
        yield from _rows(table, known)
        if place == "[loads.NAME]":
            defaults = schema["properties"]["defaults"]
            yield from ["", f"`[defaults]` takes the same keys: {_text(defaults)}."]


def _places(
    path: str, table: Schema, known: Schema, seen: set[str]
) -> Iterator[tuple[str, Schema]]:
    """The tables within a table by the headers that they have in the file, each table once."""
    for key, value in table["properties"].items():
        for name in _tables(value) if key != "defaults" else ():
            if name not in seen:
                seen.add(name)
                here = f"{path}.{key}".strip(".") + (".NAME" if _is_named(value) else "")
                is_list = value.get("type") == "array"
                yield f"[[{here}]]" if is_list else f"[{here}]", known[name]
                yield from _places(here, known[name], known, seen)


def _is_named(value: Schema) -> bool:
    return value.get("type") == "object" and "additionalProperties" in value


def _tables(value: Schema) -> list[str]:
    """The tables that a key holds, by their names in the schema."""
    return sorted(set(re.findall(r'"#/\$defs/(\w+)"', json.dumps(value))))


def scenario_keys() -> Iterator[str]:
    """Every key of a scenario file, but for the parameters of the faults."""
    schema = scenario_schema()
    top = {key: value for key, value in schema["properties"].items() if not _tables(value)}
    known = schema["$defs"]
    yield from _rows({"properties": top, "required": schema["required"]}, known)
    for key, name in (("steps", "Step_unplug"), ("expect", "Expect"), ("outside", "OutsideTable")):
        table = known[name]
        kept = {k: v for k, v in table["properties"].items() if k not in ("node", "conductor")}
        if key == "steps":
            kept["fault"] = {"type": "string", "description": "its name; its parameters beside it"}
            kept["set"] = known["StepSet"]["properties"]["set"]
        header = f"[{key}]" if key == "outside" else f"[[{key}]]"
        yield from ["", f"#### {header}", ""]
        needed = [] if key == "steps" else table["required"]
        yield from _rows({"properties": kept, "required": needed}, known)


def faults() -> Iterator[str]:
    """The catalogue: each fault with its parameters, those in brackets optional."""
    yield "| fault | what it does | parameters |"
    yield "|---|---|---|"
    for kind, form in sorted(catalogue().items()):
        schema = form.model_json_schema(by_alias=True)
        needed = schema.get("required", [])
        words = [f"`{key}`" if key in needed else f"(`{key}`)" for key in schema["properties"]]
        yield f"| `{kind}` | {_text({'description': inspect.getdoc(form)})} | {', '.join(words)} |"


def units() -> Iterator[str]:
    """The units of each kind of quantity."""
    yield "| quantity | units |"
    yield "|---|---|"
    for kind, known in _UNITS.items():
        yield f"| {kind} | {', '.join(map(_spellings, known))} |"


def _spellings(unit: str) -> str:
    """A unit, and how people write it."""
    signs = {"u": "\u00b5", "ohm": "\u03a9", "degC": "\u00b0C"}
    written = [unit.replace(plain, sign) for plain, sign in signs.items() if plain in unit]
    assert all(ascii_unit(each) == unit for each in written)
    return " or ".join(f"`{each}`" for each in (unit, *written))


def _rows(table: Schema, known: Schema) -> Iterator[str]:
    yield "| key | written as | what it says |"
    yield "|---|---|---|"
    for key, value in table["properties"].items():
        said = _said(value, known)
        if key in table.get("required", []):
            said = f"**needed**; {said}"
        cells = (f"`{key}`", _form(value), said)
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _form(value: Schema) -> str:
    """How a value is written, by an example or by what is allowed."""
    if words := value.get("enum") or value.get("items", {}).get("enum"):
        return ", ".join(f"`{_toml(word)}`" for word in words)
    if _tables(value):
        return "tables" if value.get("type") == "array" or _is_named(value) else "a table"
    if value.get("examples"):
        return f"`{_toml(value['examples'][0])}`"
    kind = value.get("type", "")
    return {"string": "text", "boolean": "`true`, `false`", "array": "a list"}.get(
        kind, "a number" if kind in ("integer", "number") else "a table" if kind == "object" else ""
    )


def _said(value: Schema, known: Schema) -> str:
    """What a key means; for a table of its own what that says of itself."""
    text = _text(value) or "; ".join(_text(known[name]) for name in _tables(value))
    default = value.get("default")
    if default in (None, "", [], {}, ()) or "default" in text:
        return text
    return "; ".join(filter(None, [text, f"default `{_with_unit(default, value)}`"]))


def _with_unit(default: object, value: Schema) -> str:
    """A default as it may be written: a share in percent, where the example beside it is."""
    if isinstance(default, float) and "%" in str(value.get("examples", "")):
        return _toml(f"{100 * default:g} %")
    return _toml(default)


def _text(value: Schema) -> str:
    """The first paragraph of a description, in Markdown."""
    first = " ".join(str(value.get("description", "")).split("\n\n")[0].split())
    quoted = re.sub(r"(?<!\w)'([^']+)'(?!\w)", r"`\1`", first.replace("``", "`"))
    return quoted if quoted.endswith("...") else quoted.rstrip(".")


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return (
        json.dumps(value, ensure_ascii=False)
        if isinstance(value, str | list | tuple)
        else f"{value}"
    )


def desk_faults() -> Iterator[str]:
    """Who does which fault at a real node on the desk: the rear of the demo car, fully wired."""
    wren = load_vehicle(demo_vehicle())
    pulled = {"supply": "relay1", "plug": "relay2", "reset": "relay3"}
    made = {"brake_pedal": {"line": "out1", "positions": ["pressed"]}}
    table = IoTable.model_validate({**pulled, "drives": made})
    file = wren.file.model_copy(update={"io": {"rear": table}})
    found: dict[str, list[str]] = {}
    for kind, way, _ in ways(replace(wren, file=file), "rear"):
        found.setdefault(kind, []).append(way.value)
    yield "| fault | done |"
    yield "|---|---|"
    for kind, names in sorted(found.items()):
        yield f"| `{kind}` | {', '.join(names)} |"


MADE: dict[str, Callable[[], Iterator[str]]] = {
    "floors": floors,
    "vehicle tables": vehicle_tables,
    "scenario keys": scenario_keys,
    "faults": faults,
    "units": units,
    "desk faults": desk_faults,
}


def made_anew(text: str) -> str:
    """A page with its made parts as the code has them now. Raises KeyError for unknown parts."""
    return PART.sub(lambda part: f"{part[1]}{chr(10).join(MADE[part[2]]())}\n{part[4]}", text)


def pages() -> list[Path]:
    """Every page of the repository."""
    found = [*ROOT.glob("*.md")]
    for folder in ("bench", "dbc", "nodes", "scenarios", "tests"):
        found += (ROOT / folder).rglob("*.md")
    return sorted(found)


if __name__ == "__main__":
    for page in pages():
        before = page.read_text(encoding="utf-8")
        if (after := made_anew(before)) != before:
            page.write_text(after, encoding="utf-8")
            print(f"written: {page.relative_to(ROOT)}")
