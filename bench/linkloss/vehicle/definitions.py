"""From the DBC files of a vehicle to its messages, with the cycle times of the vehicle file.

A vehicle *uses* a message if one of its nodes with a program sends it or receives a signal of it,
as the DBC says, or if the vehicle file names it: in a condition or before a dot anywhere, in
``[messages]``, as ``status``, ``link``, filter or waker, or as a word in the settings of a program.
What is wrong with such a message is a mistake, unless it is harmless. Of any other message it is a
note: no rule judges by it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from typing import Any

from cantools.database import Database
from cantools.database.can import Message as DbcMessage

from linkloss.problem import BadInput, Problem
from linkloss.units import show_duration
from linkloss.vehicle.dbc import Dbc, milliseconds, quiet, read_dbc
from linkloss.vehicle.dbc_text import Key
from linkloss.vehicle.messages import MessageInfo, attribute
from linkloss.vehicle.tables import VehicleFile, by_name, write_identifier
from linkloss.vehicle.toml import Source

_BEFORE_DOT = re.compile(r"\b([A-Za-z_]\w*)\s*\.\s*\w")
_NO_NAMES = ("title", "about", "reason", "dbc", "python", "c", "script", "includes", "defines")
"""Keys whose texts name no message."""


@dataclass(slots=True)
class Definitions:
    """The messages of a vehicle by name, as the parser has them and as the bench reads them, with
    what is wrong and what is worth a note. ``unused`` are notes on messages that it does not use.
    """

    files: Sequence[Dbc]
    database: Database
    messages: dict[str, MessageInfo]
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    unused: list[str] = field(default_factory=list)
    databases: dict[str, Database] = field(default_factory=dict)
    """Those of each bus, where there are several."""


def read_files(source: Source, document: Mapping[str, Any]) -> list[Dbc]:
    """The DBC files that a vehicle file and its buses name. Raises BadInput for one that is missing
    or is none; a key that is neither a text nor a list of texts names none.
    """
    found = [*_files_at(source, document, ())]
    buses = by_name(document.get("bus"))
    for name, bus in buses.items() if isinstance(buses, Mapping) else ():
        if isinstance(bus, Mapping):
            files = _files_at(source, bus, ("bus", name))
            found += [replace(dbc, bus=name) for dbc in files]
    return found


def _files_at(source: Source, table: Mapping[str, Any], place: tuple[str, ...]) -> Iterator[Dbc]:
    named = table.get("dbc")
    names = named if isinstance(named, list) else [named]
    for index, name in enumerate(names):
        if not isinstance(name, str):
            continue
        path = source.path.parent / name
        if not path.is_file():
            entry = (index,) if isinstance(named, list) else ()
            text = f"there is no file '{path}'"
            raise BadInput([source.problem((*place, "dbc", *entry), text)])
        yield read_dbc(path)


def values_of(files: Sequence[Dbc]) -> dict[str, dict[str, tuple[float, ...]]]:
    """By ``Message.Signal``: the values of each name that the DBC gives to a value."""
    found: dict[str, dict[str, tuple[float, ...]]] = {}
    for name, message in chain.from_iterable(file.messages.items() for file in files):
        for signal in message.signals.values():
            values = found.setdefault(f"{name}.{signal.name}", {})
            for raw, text in signal.choices.items():
                values[text] = (*values.get(text, ()), raw * signal.scale + signal.offset)
    return found


def define(
    source: Source, file: VehicleFile, document: Mapping[str, Any], files: Sequence[Dbc]
) -> Definitions:
    """The messages of a vehicle, as its DBC files have them."""
    found = _of_buses(source, file, files)
    named = _named(file, document)
    used = named | _perhaps_named(file)
    own = {name for name, node in file.nodes.items() if not node.logged}
    for dbc in files:
        used |= {name for name, nodes in dbc.nodes.items() if not nodes.isdisjoint(own)}
    if not named <= found.messages.keys():
        used.add("")  # a message whose line cannot be read may be the one that is missing
    for dbc in files:
        found.unused += dbc.notes([flaw for flaw in dbc.flaws if flaw.message not in used])
        hit = [flaw for flaw in dbc.flaws if flaw.message in used]
        found.notes += dbc.notes([flaw for flaw in hit if flaw.harmless])
        wrong = (flaw for flaw in hit if not flaw.harmless)
        found.problems += map(dbc.problem, wrong)
    return found


def with_cycles(file: VehicleFile, found: Definitions) -> Definitions:
    """The messages with the cycle times of the vehicle file."""
    for name, table in file.messages.items():
        if table.cycle is None or name not in found.messages:
            continue
        period_ns = found.messages[name].period_ns
        if period_ns not in (None, table.cycle):
            cycles = f"every {show_duration(table.cycle)}, in the DBC {show_duration(period_ns)}"
            found.notes.append(f"{name}: {cycles}; the vehicle file wins.")
        found.messages[name] = replace(found.messages[name], period_ns=table.cycle)
        for message in found.database.messages:
            if message.name == name:
                message.cycle_time = milliseconds(table.cycle)  # type: ignore[assignment]
    return found


def _of_buses(source: Source, file: VehicleFile, files: Sequence[Dbc]) -> Definitions:
    """The messages of all buses. One identifier on two buses is two messages, and so is one name:
    since a vehicle file knows messages by name, that is a mistake.
    """
    if len(file.bus) == 1:
        (name,) = file.bus
        found = _joined(source, files)
        if name:
            found.messages = {k: replace(info, bus=name) for k, info in found.messages.items()}
        return found
    parts = {name: _joined(source, [d for d in files if d.bus == name]) for name in file.bus}
    found = Definitions(files, Database(), {})
    places: dict[str, tuple[Place, str]] = {}
    messages: list[DbcMessage] = []
    for name, part in parts.items():
        found.problems += part.problems
        found.databases[name] = part.database
        found.messages.update({k: replace(m, bus=name) for k, m in part.messages.items()})
        for key, message in _keyed(part.database).items():
            here = next(dbc for dbc in part.files if key in dbc.lines), message
            other, of_bus = places.setdefault(message.name, (here, name))
            if of_bus != name:
                text = f"{_differ(other, here)}, of another bus; expected a name that is unique"
                text += " over all buses"
                found.problems.append(source.problem(("bus", name, "dbc"), text))
        messages += part.database.messages
        found.problems += _elsewhere(source, file, name, part.files)
    nodes = {node.name: node for part in parts.values() for node in part.database.nodes}
    with quiet():
        found.database = Database(messages, list(nodes.values()), strict=False)
    return found


def _elsewhere(
    source: Source, file: VehicleFile, bus: str, files: Sequence[Dbc]
) -> Iterator[Problem]:
    """The messages of a bus that a node of another bus is said to send or receive."""
    others = {
        node: other
        for other in file.bus
        for node in file.bus[other].cable
        if bus not in file.buses_of(node)
    }
    for dbc in files:
        for message, nodes in dbc.nodes.items():
            for node in sorted(nodes & others.keys() & file.nodes.keys()):
                what = "sends" if node in dbc.senders(message) else "receives"
                text = f"node '{node}', which {what} message '{message}', is on bus"
                text += f" '{others[node]}'; only a node on both buses passes messages on"
                yield source.problem(("bus", bus, "dbc"), text)


def _keyed(database: Database) -> dict[Key, DbcMessage]:
    return {(m.frame_id, bool(m.is_extended_frame)): m for m in database.messages}


def _joined(source: Source, files: Sequence[Dbc]) -> Definitions:
    """The messages of all files of a bus; one that two files define must be the same in both."""
    if len(files) == 1:
        return Definitions(files, files[0].database, dict(files[0].messages))
    infos: dict[str, MessageInfo] = {}
    messages: dict[Key, DbcMessage] = {}
    by_key: dict[Key, Place] = {}
    by_name: dict[str, Place] = {}
    problems = []
    for dbc in files:
        mine = {key: (dbc, message) for key, message in _keyed(dbc.database).items()}
        for key, here in mine.items():
            other = by_key.get(key) or by_name.get(here[1].name)
            if other is not None and _shape(other[1]) != _shape(here[1]):
                place = ("bus", dbc.bus, "dbc") if dbc.bus else ("dbc",)
                problems.append(source.problem(place, _differ(other, here)))
        messages = {**{key: message for key, (_, message) in mine.items()}, **messages}
        infos = {**dbc.messages, **infos}
        by_key = {**mine, **by_key}
        by_name = {**{message.name: (dbc, message) for dbc, message in mine.values()}, **by_name}
    nodes = {node.name: node for dbc in files for node in dbc.database.nodes}
    with quiet():
        database = Database(list(messages.values()), list(nodes.values()), strict=False)
    return Definitions(files, database, infos, problems)


Place = tuple[Dbc, DbcMessage]


def _shape(message: DbcMessage) -> tuple[Any, ...]:
    """What two definitions of one message must agree in."""
    signals = [
        (
            signal.name, signal.start, signal.length, signal.byte_order, signal.is_signed,
            signal.is_float, signal.scale, signal.offset, signal.minimum, signal.maximum,
            signal.unit, signal.multiplexer_signal, signal.multiplexer_ids, signal.is_multiplexer,
            {raw: str(text) for raw, text in (signal.choices or {}).items()},
            attribute(signal, "LinkRole"),
        )
        for signal in message.signals
    ]  # fmt: skip
    return (
        message.name, message.frame_id, message.is_extended_frame, message.length, message.is_fd,
        message.cycle_time, sorted(message.senders), attribute(message, "ChecksumKind"),
        sorted(signals, key=lambda signal: signal[0]),
    )  # fmt: skip


def _differ(one: Place, two: Place) -> str:
    """What the user is told of two messages that cannot both be there."""
    message, other = one[1], two[1]
    places = [dbc.place((m.frame_id, bool(m.is_extended_frame))) for dbc, m in (one, two)]
    if message.name == other.name:
        return f"message '{message.name}' on {places[0]} is another on {places[1]}"
    text = f"message '{message.name}' on {places[0]} and message '{other.name}' on {places[1]} have"
    return f"{text} the identifier {write_identifier(message.frame_id, message.is_extended_frame)}"


def _named(file: VehicleFile, document: Mapping[str, Any]) -> set[str]:
    """What a vehicle file calls a message."""
    found = {*file.messages, *(load.link for load in file.loads.values())}
    for text in _texts(document):
        found.update(_BEFORE_DOT.findall(text))
    for node in file.nodes.values():
        found.update((node.status, *(entry.message for entry in node.filters)))
    return {name for name in found if name}


def _perhaps_named(file: VehicleFile) -> set[str]:
    """Words that may be messages: wakers, and all words in the settings of programs."""
    found: set[str] = set()
    for node in file.nodes.values():
        found.update(node.wakers)
        for text in _texts(node.settings):
            found.update(re.findall(r"\w+", text))
    return found


def _texts(value: object) -> Iterator[str]:
    """All texts and keys in a document that may name a message."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            if key not in _NO_NAMES:
                yield from (key, *_texts(inner))
    elif isinstance(value, list | tuple):
        yield from chain.from_iterable(map(_texts, value))
