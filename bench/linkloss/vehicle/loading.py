"""From the file ``vehicle.toml`` to a vehicle that can be run: read it, check it, find its
programs.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache, partial
from itertools import pairwise, product
from pathlib import Path
from typing import Any

from cantools.database import Database

from linkloss.firmware.build import BuildOptions
from linkloss.firmware.pack import made_headers, why_stale
from linkloss.problem import BadInput, Problem
from linkloss.vehicle.consistency import Consistency
from linkloss.vehicle.dbc import Dbc
from linkloss.vehicle.definitions import (
    Definitions,
    define,
    read_files,
    values_of,
    with_cycles,
)
from linkloss.vehicle.desk_wiring import IoTable
from linkloss.vehicle.electrical import SupplyTable
from linkloss.vehicle.expression import Condition, split_signal
from linkloss.vehicle.load import LoadTable, NoticeTable
from linkloss.vehicle.messages import MessageInfo, SignalInfo
from linkloss.vehicle.programs import (
    ProgramError,
    Unread,
    header_folders,
    load_firmware,
    load_image,
    load_program,
    load_script,
    pin_problems,
    unread_program,
)
from linkloss.vehicle.routes import RouteTable
from linkloss.vehicle.tables import (
    BusTable,
    InputTable,
    MessageTable,
    NodeTable,
    RequestTable,
    SituationTable,
    VehicleFile,
)
from linkloss.vehicle.toml import Source, marked_keys, read_toml
from linkloss.vehicle.unlisted import with_unlisted

GUESSED = "guessed"
"""A key with this word behind it, as a comment, is no decision yet: every result names it."""
_PAYLOADS = 1 << 14
"""How many results of a condition are cached, by payload."""


@dataclass(frozen=True, slots=True, eq=False)
class Vehicle:
    """A vehicle that passed all its checks. ``programs`` holds the node classes by node, without
    those that are logged; ``build`` is how programs in C were built.
    """

    path: Path
    source: Source
    file: VehicleFile
    database: Database
    messages: Mapping[str, MessageInfo]
    programs: Mapping[str, Callable[[Any], Any]]
    build: BuildOptions | None = None
    message_notes: tuple[str, ...] = ()
    """What is read in another way than the DBC has it."""
    unused_notes: tuple[str, ...] = ()
    """What is wrong with messages that it does not use."""
    databases: Mapping[str, Database] = field(default_factory=dict)
    """The messages of each bus, where there are several."""
    _readers: dict[str, Callable[..., bool]] = field(default_factory=dict, init=False, repr=False)

    @property
    def dbc_paths(self) -> tuple[Path, ...]:
        """Its DBC files."""
        return tuple(self.path.parent / name for name in self.file.dbc_files)

    @property
    def title(self) -> str:
        """The vehicle's name."""
        return self.file.title

    @property
    def buses(self) -> tuple[BusTable, ...]:
        """The buses, in the order of the file."""
        return tuple(self.file.bus.values())

    def bus_of(self, node: str) -> BusTable:
        """The bus that a node is on, of several the first. Raises KeyError for an unknown node."""
        return self.file.bus[self.file.bus_of(node)]

    def bus_with(self, message: str) -> BusTable:
        """The bus that a message is on."""
        return self.file.bus[self.messages[message].bus]

    def messages_on(self, bus: str) -> Mapping[tuple[int, bool], MessageInfo]:
        """The messages on a bus by identifier, and whether it is an extended one."""
        found = (info for info in self.messages.values() if info.bus == bus)
        return {(info.identifier, info.extended): info for info in found}

    @property
    def along(self) -> tuple[str, ...]:
        """All nodes, in their order along the cables, each once."""
        return tuple(dict.fromkeys(node for bus in self.buses for node in bus.cable))

    @property
    def sides(self) -> tuple[tuple[str, str | None], ...]:
        """The controllers, in their order along the cables: each by its node, and of a node on
        several buses with the bus.
        """
        return tuple(
            (node, self.side(node, name))
            for name, bus in self.file.bus.items()
            for node in bus.cable
        )

    def side(self, node: str, bus: str) -> str | None:
        """What a fault on a bus at a node has to say of the bus: nothing where the node has one."""
        return bus if len(self.file.buses_of(node)) > 1 else None

    def between(self, left: str, right: str) -> str:
        """The name of the bus on whose cable two nodes are neighbours, else that of the first."""
        pair = {left, right}
        found = (
            name
            for name, bus in self.file.bus.items()
            if any(pair == {*stretch} for stretch in pairwise(bus.cable))
        )
        return next(found, self.file.bus_of(left))

    @property
    def stretches(self) -> tuple[tuple[str, str], ...]:
        """The stretches of cable, each from one node to the next."""
        return tuple(pair for bus in self.buses for pair in pairwise(bus.cable))

    def only_bus(self, what: str) -> BusTable:
        """The bus of a car that has only one, for ``what`` cannot handle a second. Raises BadInput
        for a car with several.
        """
        if len(self.buses) > 1:
            names = ", ".join(self.file.bus)
            text = (
                f"{what} takes a car with one bus so far; this one has {len(self.buses)}: {names}"
            )
            raise BadInput([self.source.problem(("bus",), text)])
        return self.buses[0]

    @property
    def fd(self) -> bool:
        """Whether any node has a controller for CAN FD."""
        return any(node.fd for node in self.file.nodes.values())

    @property
    def supply(self) -> SupplyTable | None:
        """Battery and alternator; None for an ideal supply."""
        return self.file.supply

    @property
    def nodes(self) -> Mapping[str, NodeTable]:
        """The nodes by name."""
        return self.file.nodes

    @property
    def sendings(self) -> Mapping[str, MessageTable]:
        """How messages are sent where the DBC does not say all, by name."""
        return self.file.messages

    @property
    def inputs(self) -> Mapping[str, InputTable]:
        """The inputs by name."""
        return self.file.inputs

    @property
    def loads(self) -> Mapping[str, LoadTable]:
        """The loads by name."""
        return self.file.loads

    @property
    def requests(self) -> Mapping[str, RequestTable]:
        """What the inputs ask for, by ``Message.Signal``."""
        return self.file.requests

    @property
    def notices(self) -> Mapping[str, NoticeTable]:
        """The notices by name."""
        return self.file.notices

    @property
    def routes(self) -> Mapping[str, RouteTable]:
        """What gateways pass on, by name."""
        return self.file.routes

    @property
    def io(self) -> Mapping[str, IoTable]:
        """How real nodes on the desk are wired to the I/O board, by node."""
        return self.file.io

    @property
    def situations(self) -> Mapping[str, SituationTable]:
        """The situations by name."""
        return self.file.situations

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader of a result must know of the vehicle, in sentences: what is wrong with
        messages that it does not use, keys that are still marked as guessed, and what the bench
        cannot exercise in its programs.
        """
        return (*self.unused_notes, *self.brief_notes)

    @property
    def brief_notes(self) -> tuple[str, ...]:
        """The same, without what concerns no message that the vehicle uses."""
        return (
            *self.message_notes,
            *self._guessed(),
            *(
                f"{name}: an int of its processor has {node.target.int_bits} bits, here it has 32:"
                " int overflow not exercised."
                for name, node in self.nodes.items()
                if node.c and not node.runs_image and node.target.int_bits < 32
            ),
        )

    def _guessed(self) -> Iterator[str]:
        keys = marked_keys(self.source.text, GUESSED)
        if keys:
            yield (
                f"Guessed, not declared: {', '.join(keys)}. Take the mark '# {GUESSED}' away in"
                f" {self.path.name} where the value is right."
            )

    @property
    def logged(self) -> tuple[str, ...]:
        """The nodes without a program: what they send comes from a log, or not at all."""
        return tuple(name for name in self.along if self.nodes[name].logged)

    def signal(self, reference: str) -> tuple[MessageInfo, SignalInfo]:
        """``Message.Signal`` -> message and signal. Raises KeyError for names that do not exist."""
        message, signal = split_signal(reference)
        return self.messages[message], self.messages[message].signals[signal]

    def period_ns(self, reference: str) -> int:
        """How often a message comes, or a signal (``Message.Signal``): one of a multiplexed message
        comes with its page. In ns; 0 where the message has no cycle time.
        """
        name, signal = split_signal(reference)
        message, table = self.messages[name], self.sendings.get(name)
        if not signal:
            return message.period_ns or 0
        return message.period_of(signal, None if table is None else table.page_cycle)

    def page(self, message: str, load: LoadTable) -> str:
        """The signal whose page of a multiplexed message asks for a load; "" where there is none:
        every frame of the message counts.
        """
        asking = () if load.request is None else load.request.names
        names = (*asking, *(() if load.level is None else (load.level,)))
        own = (name for name in names if split_signal(name)[0] == message)
        return next((name for name in own if self.signal(name)[1].page), "")

    def asking_signal(self, load: LoadTable) -> str | None:
        """The only signal that asks for a load, by not being zero; None where others do too, or
        where its value matters.
        """
        if load.request is None or len(load.request.names) > 1:
            return None
        condition, name = load.request, load.request.names[0]
        _, signal = self.signal(name)
        others = (1,) if signal.length_bits == 1 else (1, 2, (1 << signal.length_bits) - 1)

        def asks(raw: int) -> bool:
            return condition({name: raw * signal.scale + signal.offset})

        return name if not asks(0) and all(map(asks, others)) else None

    def reader(self, condition: Condition) -> Callable[[Mapping[str, bytes]], bool]:
        """Whether a condition over signals holds, given the data of its messages by name."""
        sources = [(name, *self.signal(name)) for name in condition.names]
        homes = tuple(dict.fromkeys(message.name for _, message, _ in sources))
        holds = self._readers.get(condition.text)
        if holds is None:  # a drive repeats the same few payloads
            read = [
                (name, homes.index(message.name), value.physical)
                for name, message, value in sources
            ]
            holds = self._readers[condition.text] = lru_cache(maxsize=_PAYLOADS)(
                lambda *data: condition({name: value(data[home]) for name, home, value in read})
            )
        return lambda data: holds(*[data[home] for home in homes])

    def sender(self, message: str) -> str:
        """The node that sends a message."""
        return next(name for name in self.messages[message].senders if name in self.nodes)


def load_vehicle(
    path: str | Path, build: BuildOptions | None = None, *, programs: bool = True
) -> Vehicle:
    """Read a vehicle file, its message definition and its nodes' programs, which imports those that
    are in Python. ``programs`` False: nothing of them is imported, loaded or run, nor can be.

    ``build`` says how programs in C are compiled, once something runs them: with checks, or with
    line counts. What is wrong with a message that the vehicle does not use is a note
    (:mod:`linkloss.vehicle.definitions`). Raises BadInput with every mistake found: a missing or
    unreadable file, TOML or DBC that does not parse, unknown keys and names, values that do not
    fit, programs that cannot be imported or do not accept their settings.
    """
    path = Path(path)
    source, file, found = read_vehicle_file(path)
    stale = list(_stale_headers(path, file, found.files))
    found = with_cycles(file, found)
    file, messages = with_unlisted(file, found.messages)
    problems = [*found.problems, *Consistency(source, file, messages).problems(), *stale]
    read = _programs if programs else _unread
    found_programs = read(source, file, problems, build)
    if problems:
        raise BadInput(problems)
    notes, unused = tuple(found.notes), tuple(found.unused)
    return Vehicle(
        path,
        source,
        file,
        found.database,
        messages,
        found_programs,
        build,
        notes,
        unused,
        found.databases,
    )


def read_vehicle_file(path: Path) -> tuple[Source, VehicleFile, Definitions]:
    """A vehicle file by itself, and its messages as its DBC files have them: nothing else is
    compared across tables, and no program is looked at. Raises BadInput.
    """
    document, text = read_toml(path, "vehicle")
    source = Source(path, text)
    files = read_files(source, document)
    source.values = values_of(files)
    file = source.parse(VehicleFile, _with_defaults(source, document))
    misplaced = [source.problem(*found) for found in _definitions_missing(file)]
    if misplaced:
        raise BadInput(misplaced)
    return source, file, define(source, file, document, files)


def _stale_headers(path: Path, file: VehicleFile, files: Sequence[Dbc]) -> Iterator[Problem]:
    """The headers of programs in C that do not pack what the DBC file says now."""
    headers = made_headers(header_folders(file, path.parent))
    for header, dbc in product(headers, files):
        try:
            why = why_stale(header, dbc.database, dbc.path)
        except (OSError, ValueError) as error:
            why = f"cannot be compared with {dbc.path.name}: {error}"
        if why:
            text = f"{why}; expected what this writes: linkloss pack {shlex.quote(str(path))}"
            yield Problem(str(header), "", text)


def _definitions_missing(file: VehicleFile) -> Iterator[tuple[tuple[str, ...], str]]:
    """Where a message definition is missing, or belongs to nothing: (place, text)."""
    if len(file.bus) == 1:
        ((name, bus),) = file.bus.items()
        if file.dbc is None and bus.dbc is None:
            yield ("dbc",), "this key is missing"
        elif file.dbc is not None and bus.dbc is not None:
            yield ("bus", name, "dbc"), "the vehicle has 'dbc' already; expected one of the two"
        return
    if file.dbc is not None:
        text = "nothing says on which bus its messages are; expected 'dbc' in the table of each bus"
        yield ("dbc",), text
    for name, bus in file.bus.items():
        if bus.dbc is None:
            yield ("bus", name, "dbc"), "this key is missing"


def _with_defaults(source: Source, document: dict[str, Any]) -> dict[str, Any]:
    """The document with the table ``defaults`` merged into every load."""
    defaults, loads = document.get("defaults", {}), document.get("loads", {})
    if not isinstance(defaults, dict) or not isinstance(loads, dict):
        return document
    if defaults:  # checked alone first, so that a mistake is reported once and at its place
        source.parse(LoadTable, {"node": "", **defaults}, ("defaults",))
    merged = {
        name: {**defaults, **load} if isinstance(load, dict) else load
        for name, load in loads.items()
    }
    return {**document, "loads": merged}


def _programs(
    source: Source, file: VehicleFile, problems: list[Problem], build: BuildOptions | None
) -> dict[str, Callable[[Any], Any]]:
    programs: dict[str, Callable[[Any], Any]] = {}
    for name, node in file.nodes.items():
        if node.logged or (node.runs_image and any(pin_problems(name, file))):
            continue
        refused = partial(_refused, source, ("nodes", name, node.program_key))
        try:
            if node.script is not None:
                programs[name] = load_script(name, file, source.path.parent)
                continue
            if node.runs_image:
                programs[name] = load_image(name, file, source.path.parent, refused)
                continue
            if node.python is None:
                programs[name] = load_firmware(name, file, source.path.parent, build, refused)
                continue
            programs[name] = load_program(node.python, source.path.parent)
            check_settings(programs[name], node.settings)
        except ProgramError as error:
            problems.append(source.problem(("nodes", name, node.program_key), str(error)))
        except _SettingsProblem as error:
            problems.append(
                source.problem(("nodes", name, "settings", *error.place), str(error)),
            )
    return programs


def _unread(
    source: Source, file: VehicleFile, problems: list[Problem], build: BuildOptions | None
) -> dict[str, Callable[[Any], Any]]:
    """The programs, of which nothing is imported or loaded."""
    programs: dict[str, Callable[[Any], Any]] = {}
    folder = source.path.parent
    for name, node in file.nodes.items():
        if node.logged or (node.runs_image and any(pin_problems(name, file))):
            continue
        refused = partial(_refused, source, ("nodes", name, node.program_key))
        try:
            if node.script is not None:
                programs[name] = load_script(name, file, folder)  # reads it, and no more
            elif node.runs_image:
                image = load_image(name, file, folder, refused)
                programs[name] = Unread(image.built, kept=False)
            elif node.python is None:
                made = load_firmware(name, file, folder, build, refused)
                programs[name] = Unread(made.built, kept=False)
            else:
                programs[name] = unread_program(node.python, folder)
        except ProgramError as error:
            problems.append(source.problem(("nodes", name, node.program_key), str(error)))
    return programs


def _refused(source: Source, place: tuple[str, ...], text: str) -> BadInput:
    """The error for a program in C or an image that cannot be compiled or read."""
    return BadInput([source.problem(place, text)])


class _SettingsProblem(Exception):  # noqa: N818 - private carrier of a text and a place
    def __init__(self, place: tuple[str, ...], text: str) -> None:
        self.place = place
        super().__init__(text)


def check_settings(program: Callable[[Any], Any], settings: Mapping[str, Any]) -> None:
    """Let a program check its settings before anything runs, if it can.

    A node class may have a static or class method ``check_settings(settings)`` that raises
    ValueError; an attribute ``key`` of the error names the setting.
    """
    check = getattr(program, "check_settings", None)
    if check is None:
        return
    try:
        check(settings)
    except ValueError as error:
        key = str(getattr(error, "key", ""))
        raise _SettingsProblem(tuple(key.split(".")) if key else (), str(error)) from None
