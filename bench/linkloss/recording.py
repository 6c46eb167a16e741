"""Everything that happened in a run, as time series: the only thing that the judge looks at.

All instants are nanoseconds since the start of the run, and all series are in order of time.

Programs in other processes, and real nodes behind an adapter, take part from outside the bench.
What they did is recorded with its virtual instant, so that a run with them can be repeated without
them. Their frames are kept as a SocketCAN text log with nine decimals and the sender in place of
the channel:

    (1.234567891) udp1 0A0#8A3F

A run may also play frames of a logged drive instead of running programs (:class:`Traffic`).
"""

from __future__ import annotations

import sys
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cache
from pathlib import Path
from typing import Annotated, Any, ClassVar, Generic, Literal, NamedTuple, TypeVar, get_args

import can
from pydantic import ConfigDict, Field, GetCoreSchemaHandler, TypeAdapter
from pydantic.json_schema import SkipJsonSchema
from pydantic_core import CoreSchema

from linkloss.bus import BitRecord, BusRecord, FdFrame, Frame, RecordList
from linkloss.bus.message import entries, frame_of
from linkloss.document import CONFIG, Document, Hex, Ns, Stored, columns, read_back, read_text
from linkloss.problem import BadInput
from linkloss.vehicle.expression import Value
from linkloss.vehicle.messages import MessageInfo

Presence = Literal["on", "listen", "off"]
"""The state of a program's controller: taking part, only listening, or off the bus."""
NS_PER_S = 1_000_000_000


class _OutsideFrame(NamedTuple):
    """A frame from outside, as it stands in JSON."""

    identifier: int
    extended: bool
    remote: bool
    dlc: int
    data: Hex


def _outside_row(frame: Frame | None) -> _OutsideFrame | None:
    if frame is None:
        return None
    return _OutsideFrame(frame.identifier, frame.extended, frame.remote, frame.dlc, frame.data)


def _outside_frame(row: _OutsideFrame | None) -> Frame | None:
    return row and Frame(row.identifier, row.data, row.extended, row.remote, row.dlc)


class OutsideEvent(NamedTuple):
    """Something that came from outside at an instant: a frame handed to the sender's controller or,
    without a frame, a change of a program's presence. ``hands``: what a person did to a real node,
    which is a fault from ``off`` to ``on``.
    """

    at_ns: Ns
    name: str
    frame: Annotated[Frame | None, Stored(_OutsideFrame | None, _outside_row, _outside_frame)]
    presence: Presence = "on"
    hands: str = ""


@dataclass(frozen=True, slots=True)
class Outside:
    """Who takes part from outside.

    :param programs: each has a controller of its own at the far end of the cable, off at first.
    :param nodes: nodes of the vehicle that are real: each has the controller of its node, at its
        place on the cable.
    :param events: what they did, in order; none in a run in which they take part themselves.
    :param delay_ns: the longest that a frame takes between the bus and a real node, one way.
    :param doubt: why nothing can be said of the real nodes, if so: the bench lost frames on the way
        to them, or its time stood still.
    """

    programs: tuple[str, ...] = ()
    nodes: tuple[str, ...] = ()
    events: tuple[OutsideEvent, ...] = ()
    delay_ns: int = 0
    doubt: str = ""


NOBODY = Outside()


def write_frames(events: Iterable[OutsideEvent]) -> Iterable[str]:
    """The lines of a log of all frames among the events."""
    for at_ns, name, frame, *_ in events:
        if frame is not None:
            seconds, rest = divmod(at_ns, NS_PER_S)
            yield f"({seconds}.{rest:09d}) {name} {frame}\n"


def read_frames(lines: Iterable[str]) -> list[OutsideEvent]:
    """The frames of such a log. Raises ValueError, with its number, for a line that is not one."""
    found = []
    for number, entry in enumerate(entries(lines), 1):
        try:
            if isinstance(entry, Exception):
                raise entry
            if isinstance(entry, can.Message):
                at_ns = round(entry.timestamp * NS_PER_S)
                event = OutsideEvent(at_ns, str(entry.channel), frame_of(entry))
            else:
                event = OutsideEvent(entry[0], entry[2], entry[1])
        except ValueError as error:
            raise ValueError(f"line {number}: {error}") from None
        found.append(event)
    return found


REST = "(log)"
"""The sender of frames that belong to no node of the vehicle; no node can have this name."""


class LoggedFrame(NamedTuple):
    """A frame as logged. ``at_ns`` is the end of its end of frame, in ns since the start of the
    run; ``sender`` is a node of the vehicle, or ``REST``.
    """

    at_ns: int
    sender: str
    frame: Frame


@dataclass(frozen=True, slots=True, eq=False)
class Traffic:
    """The logged part of a run.

    :param nodes: the nodes of the vehicle without a program in the run; their frames come from the
        log.
    :param frames: starts reading the logged frames, in the order of their instants.
    :param cycles: how often a frame comes, in ns, by its arbitration word.
    """

    nodes: tuple[str, ...]
    frames: Callable[[], Iterator[LoggedFrame]]
    cycles: Mapping[int, int] = field(default_factory=dict)


@dataclass(slots=True)
class Shift:
    """How much later than in the log the frames came, because they were arbitrated again; in ns.

    Of the ``logged`` frames ``sent`` went over the bus. Those that a fault kept away are in
    ``fallen``, by what the fault did; ``stray`` counts what was lost without a fault. ``refused``
    counts those that found no free mailbox or a controller off the bus, ``silenced`` those of a
    node that was reset, hung, mute or without supply; both are among the fallen and the stray.
    ``bins`` counts shifts by powers of two: ``bins[n]`` those below 2^n ns.
    """

    logged: int = 0
    sent: int = 0
    moved: int = 0
    sum_ns: Ns = 0
    most_ns: Ns = 0
    most_at_ns: Ns = 0
    most_frame: str = ""
    refused: int = 0
    silenced: int = 0
    stray: int = 0
    fallen: dict[str, int] = field(default_factory=dict)
    bins: list[int] = field(default_factory=lambda: [0] * 64)

    def note(self, shift_ns: int, at_ns: int, frame: Frame) -> None:
        """Count a frame that was sent ``shift_ns`` later than it was logged."""
        self.sent += 1
        if shift_ns <= 0:
            return
        self.moved += 1
        self.sum_ns += shift_ns
        self.bins[min(63, shift_ns.bit_length())] += 1
        if shift_ns > self.most_ns:
            self.most_ns, self.most_at_ns, self.most_frame = shift_ns, at_ns, str(frame)

    @property
    def lost(self) -> int:
        """Frames of the log that never went over the bus whole."""
        return self.logged - self.sent


T = TypeVar("T")
Level = Annotated[float, Stored(int | float)]
InputValue = Annotated[Value, Stored(str | int | float), Field(description="value of an input")]


class FrameRow(NamedTuple):
    """A frame, as a recording holds it in JSON; the data in hexadecimal. ``fd``: of a CAN FD
    frame whether the bit rate switches, and whether its sender is error-passive.
    """

    start_ns: Ns
    end_ns: Ns
    sender: str
    identifier: int
    extended: bool
    remote: bool
    dlc: int
    data: Hex
    receivers: tuple[str, ...]
    error: Literal["ack", "disturbed", "collision", "broken_off"] | None
    lost_overrun: tuple[str, ...]
    rivals: tuple[str, ...]
    fd: tuple[bool, bool] | None = None  # older recordings have no such column

    @classmethod
    def of(cls, record: BusRecord) -> FrameRow:
        """The row of a record."""
        frame = record.frame
        fd = None
        if isinstance(frame, FdFrame):
            fd = frame.bit_rate_switch, frame.error_state_indicator
        return cls(
            record.start_ns, record.end_ns, record.sender,
            frame.identifier, frame.extended, frame.remote, frame.dlc, frame.data,
            record.receivers, record.error, record.lost_overrun, record.rivals, fd,
        )  # fmt: skip

    def record(self) -> BusRecord:
        """The record of a row. Raises ValueError for what can be no frame."""
        parts = (self.identifier, self.data, self.extended, self.remote, self.dlc)
        frame = Frame(*parts) if self.fd is None else FdFrame(*parts, *self.fd)
        return BusRecord(
            self.start_ns, self.end_ns, self.sender, frame,
            self.receivers, self.error, self.lost_overrun, self.rivals,
        )  # fmt: skip


class Series(Generic[T]):
    """A value over time: constant between its changes, unknown before the first one."""

    __slots__ = ("times", "values")

    def __init__(self) -> None:
        self.times: list[int] = []
        self.values: list[T] = []

    def set(self, at_ns: int, value: T) -> None:
        """Record a value. One equal to the last is no change; of two at one instant the second
        counts.
        """
        if self.values and self.values[-1] == value:
            return
        if self.times and self.times[-1] == at_ns:
            self.values[-1] = value
            if len(self.values) > 1 and self.values[-2] == value:
                self.times.pop()
                self.values.pop()
            return
        self.times.append(at_ns)
        self.values.append(value)

    def at(self, at_ns: int) -> T:
        """The value at an instant; before the first change, the first value."""
        return self.values[max(0, bisect_right(self.times, at_ns) - 1)]

    def changes(self) -> list[tuple[int, T]]:
        """All changes as (instant, new value)."""
        return list(zip(self.times, self.values, strict=True))

    def stretches(self, end_ns: int, from_ns: int | None = None) -> list[tuple[int, int, T]]:
        """A value as stretches (from, to, value) up to ``end_ns``; none before the first value.
        With ``from_ns``, only those that end after that instant.
        """
        times, values = self.times, self.values
        high = bisect_left(times, end_ns)
        low = 0 if from_ns is None else max(0, bisect_right(times, from_ns) - 1)
        if low >= high:
            return []
        ends = [*times[low + 1 : high], end_ns]
        return list(zip(times[low:high], ends, values[low:high], strict=True))

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Series) and self.times == other.times and self.values == other.values
        )

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"Series({self.changes()!r})"

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        (value,) = get_args(source)
        rows: Any = list[tuple[Ns, value]]  # type: ignore[valid-type]
        form = Stored(rows, cls.changes, lambda found: series(*found))
        return form.__get_pydantic_core_schema__(source, handler)


def series(*changes: tuple[int, T]) -> Series[T]:
    """A series from its changes."""
    made: Series[T] = Series()
    for at_ns, value in changes:
        made.set(at_ns, value)
    return made


class NodeChange(NamedTuple):
    """A node's program starts, stops or is stopped.

    ``state`` is ``reset`` (the program does not run: power-up, reset, boot), ``running``, ``hung``
    (stopped, the controller is alive; cause ``supply``: it runs wild on too little voltage, without
    a brown-out detector), ``off`` (its supply is too low; ``reset`` follows when it is back),
    ``asleep`` (the program has put its board to sleep; ``reset`` follows when something wakes it)
    or ``crashed`` (the program failed by itself). ``cause`` is ``power-up``, ``fault``, ``supply``,
    ``watchdog``, ``program``, ``wake`` or, for a crash, its text.

    For ``off``, ``by`` is what took the supply: ``fault``, ``start`` (a start of the engine that
    may reset the node) or ``car`` (neither: the car starves the node by itself). For ``wake`` it is
    what woke the node: an input, a message, or the identifier of another frame. For ``watchdog`` it
    is where the program of an image was, ``file:line``.
    """

    at_ns: Ns
    state: str
    cause: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class FuseOpened:
    """The current through a fuse has opened it.

    ``what`` is ``feed of NODE``, or the first load behind the fuse. ``loads`` no longer get
    current, ``nodes`` no longer have supply. ``by`` is ``fault`` if a fault can have caused it,
    else ``car``.
    """

    at_ns: Ns
    what: str
    loads: tuple[str, ...]
    nodes: tuple[str, ...]
    by: Annotated[str, Field(json_schema_extra={"enum": ["fault", "car"]})] = "car"


class Handed(NamedTuple):
    """A message that a program handed to its controller, or tried to: ``taken`` is False where the
    controller refused it (mailboxes full, bus-off).
    """

    at_ns: Ns
    data: Hex
    taken: bool = True


class Foreign(NamedTuple):
    """A data frame that a program handed to its controller, although the message definition gives
    its node no such message; ``taken`` as in :class:`Handed`.
    """

    at_ns: Ns
    node: str
    identifier: int
    extended: bool
    data: Hex
    taken: bool = True


class ControllerChange(NamedTuple):
    """A controller's error state changed."""

    at_ns: Ns
    state: str
    tec: int
    rec: int


@dataclass(frozen=True, slots=True)
class FaultRecord:
    """A fault and when it was there. ``cleared_ns`` None: until the end of the run.

    ``group`` is cable, frames, node, input or output. ``content`` says that the fault changes what
    arrives (and not only whether it arrives). ``nodes`` are the nodes whose own program, controller
    or stub it touches, ``loads`` the loads that cannot follow their commands.
    """

    kind: str
    text: str
    group: str
    content: bool
    nodes: tuple[str, ...]
    applied_ns: Ns
    cleared_ns: Ns | None
    loads: tuple[str, ...] = ()


class ActionRecord(NamedTuple):
    """Inputs that the driver or the engine changed at one instant."""

    at_ns: Ns
    values: dict[str, InputValue]


@dataclass(frozen=True, slots=True)
class Crash:
    """A program that raised: node, instant, where (``file:line``) and what."""

    node: str
    at_ns: Ns
    where: str
    text: str


class Printed(NamedTuple):
    """A line of text that a program printed on its serial line."""

    node: str
    at_ns: int
    text: str


def note_bit(bits: list[BitRecord], bit: BitRecord) -> None:
    """Add a bit, or extend the last one where it continues. Pieces of a cable take turns."""
    for place in range(len(bits) - 1, max(-1, len(bits) - 1 - _PIECES), -1):
        last = bits[place]
        if last.nodes == bit.nodes:
            if last.end_ns == bit.start_ns and last[2:] == bit[2:]:
                bits[place] = last._replace(end_ns=bit.end_ns)
                return
            break
    bits.append(bit)


_PIECES = 4
"""How far back to look for the last bit of the same piece of cable."""


LAST = {"loose": 1}
"""Of a field: the last entry may still change, those before it stay."""
ANY = {"loose": sys.maxsize}
"""Of a field: any entry may still change."""


def _nested(seen: dict[tuple[str, str], Series[Value]]) -> dict[str, dict[str, Series[Value]]]:
    found: dict[str, dict[str, Series[Value]]] = {}
    for (name, node), line in seen.items():
        found.setdefault(name, {})[node] = line
    return found


def _by_line(nested: dict[str, dict[str, Series[Value]]]) -> dict[tuple[str, str], Series[Value]]:
    return {(name, node): line for name, nodes in nested.items() for node, line in nodes.items()}


Inputs = dict[str, Series[InputValue]]
Levels = dict[str, Series[Level]]
Seen = Annotated[
    dict[tuple[str, str], Series[Value]],
    Stored(dict[str, dict[str, Series[InputValue]]], _nested, _by_line),
]
HandedOver = Annotated[
    dict[str, list[Handed]],
    Stored(dict[str, list[Handed]], lambda handed: dict(sorted(handed.items()))),
]
Frames = Annotated[
    RecordList,
    Stored(
        list[FrameRow],
        lambda records: [FrameRow.of(record) for record in records],
        lambda rows: RecordList(row.record() for row in rows),
    ),
]


def side(node: str, bus: str) -> str:
    """What a recording calls the controller of a node on several buses that is on this one."""
    return f"{node} on {bus}"


@dataclass(slots=True)
class Recording:
    """One run, and what it is in JSON.

    A recording grows: entries are added to the end of its lists and series, and what is there
    stays; a field whose last entries may still change says so.
    """

    __pydantic_config__: ClassVar[ConfigDict] = CONFIG

    vehicle: str
    seed: int
    end_ns: Ns = 0
    inputs: Inputs = field(default_factory=dict)
    """what each input truly was, as [ns, value]"""
    seen: Seen = field(default_factory=dict)
    """what each node read of it: by (input, node)"""
    outputs: Levels = field(default_factory=dict)
    """level that each load truly got, 0 to 1"""
    commands: dict[str, Series[Level | None]] = field(default_factory=dict)
    """what its node drove; null: nothing"""
    volts: Levels = field(default_factory=dict)
    """voltage at each node's terminals, as it changes by what is worth noting; empty on an ideal
    supply, as are the four below"""
    amps: Levels = field(default_factory=dict)
    """current into each load"""
    driven: Levels = field(default_factory=dict)
    """the level that it would have got with nothing wrong behind its node"""
    trips: dict[str, Series[str]] = field(default_factory=dict)
    """what its switch reports while it has tripped: over-current, over-temperature, latched off"""
    fuses: list[FuseOpened] = field(default_factory=list)
    """those that the current through them opened"""
    nodes: dict[str, list[NodeChange]] = field(default_factory=dict)
    controllers: dict[str, list[ControllerChange]] = field(default_factory=dict)
    handed: HandedOver = field(default_factory=dict, metadata=LAST)
    """what programs handed to their controllers, by message"""
    foreign: list[Foreign] = field(default_factory=list, metadata=LAST)
    """data frames that programs handed over and their nodes may not send"""
    frames: Frames = field(default_factory=RecordList)
    """every frame on every segment of the bus, with its fate"""
    on_bus: dict[str, list[str]] = field(default_factory=dict)
    """which controllers sent on each bus; only of a vehicle with several"""
    gateway_frames: list[str] = field(default_factory=list)
    """the bus of each frame whose sender is on several, in the order of the frames; only of a
    vehicle with several"""
    bits: SkipJsonSchema[list[BitRecord]] = field(default_factory=list, metadata={"loose": _PIECES})
    """the bus bit by bit where it was followed so, equal bits in a row as one; only where that
    was asked for, and never in JSON"""
    faults: list[FaultRecord] = field(default_factory=list, metadata=ANY)
    struck: list[list[str]] = field(default_factory=list)
    """the buses on which each of the faults can change anything; only of a vehicle with several"""
    actions: list[ActionRecord] = field(default_factory=list)
    crashes: list[Crash] = field(default_factory=list)
    prints: SkipJsonSchema[list[Printed]] = field(default_factory=list)
    logged: tuple[str, ...] = ()
    """nodes that had no program in this run: their frames come from a log, and of their loads,
    programs and requests the recording knows nothing; real nodes count as such"""
    shift: Shift | None = None
    """how much later than in the log their frames came; null where nothing was played"""
    outside: list[OutsideEvent] = field(default_factory=list)
    """what programs and real nodes outside of the bench did"""

    def faults_on(self, *buses: str) -> Sequence[FaultRecord]:
        """The faults that can change anything on one of some buses."""
        if not self.struck:
            return self.faults
        pairs = zip(self.faults, self.struck, strict=True)
        return [fault for fault, struck in pairs if not set(buses).isdisjoint(struck)]

    def states(self, node: str, bus: str = "") -> Sequence[ControllerChange]:
        """The changes of a node's controller: of a node on several buses, of that on a bus."""
        own: Sequence[ControllerChange] = self.controllers.get(node, ())
        return self.controllers.get(side(node, bus), own)

    def finder(self, messages: Iterable[MessageInfo]) -> Callable[[BusRecord], MessageInfo | None]:
        """A function that tells the message of a frame: that with its identifier on its bus."""
        several = len(self.on_bus) > 1
        known = {
            (info.bus if several else "", info.identifier, info.extended): info for info in messages
        }

        def found(record: BusRecord) -> MessageInfo | None:
            frame = record.frame
            return known.get((record.bus, frame.identifier, frame.extended))

        return found

    @property
    def valid_frames(self) -> dict[tuple[int, bool, str], list[BusRecord]]:
        """The data frames that were valid for some node, by identifier, whether that is extended,
        and bus (empty where there is one).
        """
        found: dict[tuple[int, bool, str], list[BusRecord]] = {}
        for record in self.frames.delivered():
            frame = record.frame
            if not frame.remote:
                key = (frame.identifier, frame.extended, record.bus)
                found.setdefault(key, []).append(record)
        return found


_NOT_IN_JSON = frozenset({"bits", "prints"})
OF_SEVERAL_BUSES = frozenset({"on_bus", "gateway_frames", "struck"})
"""Recordings of a vehicle with one bus have no such keys."""
_LATER = frozenset({"volts", "amps", "driven", "trips", "fuses", "foreign"}) | OF_SEVERAL_BUSES
"""Other recordings may have no such keys."""


class RowColumns(Document):
    """Beside a recording in JSON: what the columns of its rows are."""

    node_columns: list[str] = columns(NodeChange._fields)
    controller_columns: list[str] = columns(ControllerChange._fields)
    handed_columns: list[str] = columns(Handed._fields)
    foreign_columns: list[str] = columns(Foreign._fields)
    outside_columns: list[str] = columns(OutsideEvent._fields)
    frame_columns: list[str] = columns(FrameRow._fields)


@cache
def recording_form() -> TypeAdapter[Recording]:
    """A recording as JSON, there and back: nothing left out, nothing rounded."""
    return TypeAdapter(Recording)


def recording_fields(recording: Recording) -> dict[str, Any]:
    """The keys of a recording in JSON. Series are lists of [instant in ns, value]."""
    left_out = {*_NOT_IN_JSON, *(() if recording.on_bus else OF_SEVERAL_BUSES)}
    found = recording_form().dump_python(recording, mode="json", exclude=left_out)
    return {**found, **RowColumns().model_dump()}


class _Keys(Document):
    """What tells a recording from other JSON, and names its vehicle's file."""

    model_config = ConfigDict(extra="allow")

    format: str = ""
    vehicle_file: str = ""


def read_recording(path: str | Path) -> tuple[Recording, str]:
    """The recording that a run wrote as JSON, and the vehicle file that it names. Raises BadInput
    for anything else.
    """
    return recording_in(read_text(Path(path), "the JSON of a run"), path)


def recording_in(content: bytes | str, path: str | Path) -> tuple[Recording, str]:
    """The same of the content of such a file. Raises BadInput for anything else."""
    keys = read_back(TypeAdapter(_Keys), content, path, "recording")
    if keys.format != "linkloss run":
        text = "this is no recording; expected a file that 'linkloss run --json' wrote"
        raise BadInput.one(path, "", text)
    there = keys.model_extra or {}
    for entry in fields(Recording):
        if entry.name not in {*there, *_LATER, *_NOT_IN_JSON}:
            raise BadInput.one(path, "", f"the recording has no '{entry.name}'")
    recording = read_back(recording_form(), content, path, "recording")
    if recording.on_bus:
        recording.frames = RecordList(_on_their_buses(recording, path))
    return recording, keys.vehicle_file


def _on_their_buses(recording: Recording, path: str | Path) -> Iterator[BusRecord]:
    """The frames, each with its bus, which their rows do not tell. Raises BadInput where nothing
    does.
    """
    buses: dict[str, list[str]] = {}
    for bus, senders in recording.on_bus.items():
        for sender in senders:
            buses.setdefault(sender, []).append(bus)
    told = iter(recording.gateway_frames)
    for record in recording.frames:
        known = buses.get(record.sender, [])
        bus = next(told, "") if len(known) > 1 else "".join(known)
        if not bus:
            text = f"nothing says on which bus a frame of {record.sender} was; expected it in"
            raise BadInput.one(path, "", f"{text} 'on_bus' and, of several, in 'gateway_frames'")
        yield record._replace(bus=bus)
