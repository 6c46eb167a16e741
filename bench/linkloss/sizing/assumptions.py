"""What a power plan assumes where the vehicle file does not say: the defaults that its figures rest
on, with the tables that each holds for.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from linkloss.units import QUANTITY, plain, shown_unit, write_quantity
from linkloss.vehicle.electrical import (
    AlternatorTable,
    ElectricalTable,
    NodeSupplyTable,
    RelayTable,
    SolidStateTable,
    StarterTable,
    SupplyTable,
)
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.toml import Table
from linkloss.vehicle.wiring import DEFAULT_START, DEFAULT_TIME_S

KEYS: dict[type[Table], tuple[str, ...]] = {
    SupplyTable: ("battery", "capacity", "internal_resistance", "ambient", "copper"),
    AlternatorTable: ("volts", "internal_resistance"),
    StarterTable: ("volts", "start_time", "contact"),
    NodeSupplyTable: ("current", "range", "brown_out", "hysteresis"),
    RelayTable: ("contact", "pull_in", "drop_out"),
    SolidStateTable: ("on_resistance", "thermal", "rise"),
}
"""The keys whose default the plan's figures depend on."""
_UNITS = {"thermal": " K/W", "rise": " K"}


@dataclass(frozen=True, slots=True)
class Assumption:
    """A default, ``relay.contact = 5 mohm``, and the loads, nodes or other tables it holds for."""

    text: str
    names: tuple[str, ...]


def assumptions(vehicle: Vehicle) -> tuple[Assumption, ...]:
    """What is assumed, in the order of the file."""
    users: dict[str, list[str]] = {}
    for name, text in _found(vehicle):
        users.setdefault(text, []).append(name)
    return tuple(Assumption(text, tuple(names)) for text, names in users.items())


def _found(vehicle: Vehicle) -> Iterator[tuple[str, str]]:
    supply = vehicle.supply
    if supply is None:
        return
    for name, table in (
        ("supply", supply),
        ("alternator", supply.alternator),
        ("starter motor", supply.starter),
    ):
        yield from _defaults(name, "", table)
    for name, node in vehicle.nodes.items():
        yield from _defaults(name, "", node.supply)
    for name, load in vehicle.loads.items():
        if load.electrical is not None:
            yield from _of_load(name, load.electrical, supply.nominal)


def _of_load(name: str, table: ElectricalTable, nominal: float) -> Iterator[tuple[str, str]]:
    given = table.model_fields_set
    if table.relay is None and table.solid_state is None and "contact" not in given:
        yield name, _told(ElectricalTable, "contact", "")
    yield from _defaults(name, "relay.", table.relay)
    if table.relay is not None and table.relay.rating is None:
        yield name, f"relay.rating = {table.relay.rated(nominal):g} A"
    yield from _defaults(name, "solid_state.", table.solid_state)
    if table.kind == "filament" and "cold" not in given:
        yield name, f"cold = {plain(table.cold)} of the hot resistance"
    if table.kind in DEFAULT_START and "start" not in given:
        yield name, f"start = {DEFAULT_START[table.kind]:g} times the current of the nameplate"
    if table.kind in DEFAULT_TIME_S and "start_time" not in given:
        yield name, f"start_time = {DEFAULT_TIME_S[table.kind] * 1000:g} ms"
    if table.kind == "led" and "knee" not in given:
        yield name, "knee = half of 'volts'"


def _defaults(name: str, prefix: str, table: Table | None) -> Iterator[tuple[str, str]]:
    if table is None:
        return
    for key in KEYS[type(table)]:
        if key not in table.model_fields_set:
            yield name, _told(type(table), key, prefix)


@cache
def _told(model: type[Table], key: str, prefix: str) -> str:
    schema = model.model_json_schema()["properties"][key]
    default: Any = model.model_fields[key].default
    if isinstance(default, tuple):
        kind = schema["prefixItems"][0][QUANTITY]
        return f"{prefix}{key} = " + " to ".join(_written(each, kind) for each in default)
    unit = _UNITS.get(key, "")
    return f"{prefix}{key} = {_written(default, schema.get(QUANTITY))}{unit}"


def _written(value: Any, kind: str | None) -> str:
    if kind is None:
        return plain(value)
    if kind == "resistance" and value < 1:
        return f"{value * 1000:g} mohm"
    return shown_unit(write_quantity(value, kind))
