"""Everything that happened in a run, as time series: the only thing that the judge looks at.

All instants are nanoseconds since the start of the run, all series are in order of time.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Generic, NamedTuple, TypeVar

from linkloss.bus import BitRecord, BusRecord
from linkloss.model.expression import Value
from linkloss.outside import OutsideEvent
from linkloss.traffic import Shift

T = TypeVar("T")


class Series(Generic[T]):
    """A value over time: constant between its changes, unknown before the first one."""

    __slots__ = ("times", "values")

    def __init__(self) -> None:
        self.times: list[int] = []
        self.values: list[T] = []

    def set(self, at_ns: int, value: T) -> None:
        """Note a value; one equal to the last is no change, a second one at one instant wins."""
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

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Series) and self.times == other.times and self.values == other.values
        )

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"Series({self.changes()!r})"


def series(*changes: tuple[int, T]) -> Series[T]:
    """A series from its changes."""
    made: Series[T] = Series()
    for at_ns, value in changes:
        made.set(at_ns, value)
    return made


class NodeChange(NamedTuple):
    """A node's program starts, stops or is stopped.

    ``state`` is ``reset`` (the program does not run: power-up, reset, boot), ``running``,
    ``hung`` (stopped, the controller is alive; cause ``supply``: it runs wild on too little
    voltage, without a brown-out detector), ``off`` (its supply is too low; ``reset`` follows
    when it is back), ``asleep`` (the program has put its board to sleep; ``reset`` follows when
    something wakes it) or ``crashed`` (the program failed by itself). ``cause`` is ``power-up``,
    ``fault``, ``supply``, ``watchdog``, ``program``, ``wake`` or, for a crash, its text.

    ``by`` says of ``off`` what took the supply: ``fault``, ``start`` (a start of the engine that
    may reset the node) or ``car`` (neither: the car starves the node by itself). Of ``wake`` it
    says what woke the node: an input, a message, or the identifier of another frame.
    """

    at_ns: int
    state: str
    cause: str
    by: str = ""


class FuseOpened(NamedTuple):
    """A fuse has opened by what flew through it.

    ``what`` is ``feed of NODE``, or the first load that hangs on it; ``loads`` get no current any
    more, ``nodes`` no supply. ``by`` is ``fault`` where one was there that can have caused it, else
    ``car``.
    """

    at_ns: int
    what: str
    loads: tuple[str, ...]
    nodes: tuple[str, ...]
    by: str = "car"


class Handed(NamedTuple):
    """A message that a program handed to its controller, or tried to: ``taken`` is False where
    the controller refused it (mailboxes full, bus-off).
    """

    at_ns: int
    data: bytes
    taken: bool = True


class Foreign(NamedTuple):
    """A data frame that a program handed to its controller, though the message definition has no
    such message of its node; ``taken`` as in :class:`Handed`.
    """

    at_ns: int
    node: str
    identifier: int
    extended: bool
    data: bytes
    taken: bool = True


class ControllerChange(NamedTuple):
    """A controller's error state changed."""

    at_ns: int
    state: str
    tec: int
    rec: int


class FaultRecord(NamedTuple):
    """A fault and when it was there. ``cleared_ns`` None: until the end of the run.

    ``group`` is cable, frames, node, input or output; ``content`` says that the fault changes
    what arrives (and not only whether it arrives); ``nodes`` are the nodes whose own program,
    controller or stub it touches, ``loads`` the loads that cannot do as they are told.
    """

    kind: str
    text: str
    group: str
    content: bool
    nodes: tuple[str, ...]
    applied_ns: int
    cleared_ns: int | None
    loads: tuple[str, ...] = ()


class ActionRecord(NamedTuple):
    """Inputs that the driver or the engine changed at one instant."""

    at_ns: int
    values: dict[str, Value]


class Crash(NamedTuple):
    """A program that raised: node, instant, where (``file:line``) and what."""

    node: str
    at_ns: int
    where: str
    text: str


class Printed(NamedTuple):
    """A line of text that a program gave out on its serial line."""

    node: str
    at_ns: int
    text: str


def note_bit(bits: list[BitRecord], bit: BitRecord) -> None:
    """Add a bit, or make the last one longer where it goes on. Pieces of a cable take turns."""
    for place in range(len(bits) - 1, max(-1, len(bits) - 1 - _PIECES), -1):
        last = bits[place]
        if last.nodes == bit.nodes:
            if last.end_ns == bit.start_ns and last[2:] == bit[2:]:
                bits[place] = last._replace(end_ns=bit.end_ns)
                return
            break
    bits.append(bit)


_PIECES = 4
"""So far back the last bit of the same piece of cable is looked for."""


@dataclass(slots=True)
class Recording:
    """One run.

    - ``inputs``: what each input truly was; ``seen``: what a node read of it, by (input, node).
    - ``outputs``: the level that each load truly got, 0.0 to 1.0; ``commands``: what its node
      drove (None: nothing).
    - ``volts``: the voltage at each node's terminals, ``amps``: the current into each load, both
      as they change by what is worth noting; ``driven``: the level that a load would have got
      had nothing been wrong behind its node; ``trips``: what a load's switch reports while it has
      tripped (``over-current``, ``over-temperature``, ``latched off``), else nothing; ``fuses``:
      those that opened. All five are empty on an ideal supply.
    - ``frames``: every frame on every segment of the bus, with its fate.
    - ``bits``: the bus bit by bit where it was followed so, equal bits in a row as one; only
      where that was asked for.
    - ``handed``: what programs handed to their controllers, by message name; ``foreign``: the
      data frames among it that are not their node's to send.
    - ``logged``: the nodes that had no program in this run; what they sent came out of a log. Of
      their loads, programs and requests the recording knows nothing. ``shift`` says how much
      later than in the log their frames came (None where nothing was played).
    - ``outside``: what programs and real nodes outside of the bench did. A real node counts as
      logged.
    """

    vehicle: str
    seed: int
    end_ns: int = 0
    inputs: dict[str, Series[Value]] = field(default_factory=dict)
    seen: dict[tuple[str, str], Series[Value]] = field(default_factory=dict)
    outputs: dict[str, Series[float]] = field(default_factory=dict)
    commands: dict[str, Series[float | None]] = field(default_factory=dict)
    volts: dict[str, Series[float]] = field(default_factory=dict)
    amps: dict[str, Series[float]] = field(default_factory=dict)
    driven: dict[str, Series[float]] = field(default_factory=dict)
    trips: dict[str, Series[str]] = field(default_factory=dict)
    fuses: list[FuseOpened] = field(default_factory=list)
    nodes: dict[str, list[NodeChange]] = field(default_factory=dict)
    controllers: dict[str, list[ControllerChange]] = field(default_factory=dict)
    handed: dict[str, list[Handed]] = field(default_factory=dict)
    foreign: list[Foreign] = field(default_factory=list)
    frames: list[BusRecord] = field(default_factory=list)
    bits: list[BitRecord] = field(default_factory=list)
    faults: list[FaultRecord] = field(default_factory=list)
    actions: list[ActionRecord] = field(default_factory=list)
    crashes: list[Crash] = field(default_factory=list)
    prints: list[Printed] = field(default_factory=list)
    logged: tuple[str, ...] = ()
    shift: Shift | None = None
    outside: list[OutsideEvent] = field(default_factory=list)

    @property
    def valid_frames(self) -> dict[tuple[int, bool], list[BusRecord]]:
        """The data frames that were valid for somebody, by (identifier, extended)."""
        found: dict[tuple[int, bool], list[BusRecord]] = {}
        for record in self.frames:
            frame = record.frame
            if (record.error is None or record.receivers) and not frame.remote:
                found.setdefault((frame.identifier, frame.extended), []).append(record)
        return found
