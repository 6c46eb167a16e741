"""The wire of a run bit by bit: what stood on the bus, and what each node drove.

    SOF identifier ... CRC | delimiter  ACK  delimiter  EOF
    bus     ...            |     1       0       1      1111111
    sender  ...            |     1       1       1      1111111
    others  11111111111111 |     1       0       1      1111111

0 is dominant, 1 is recessive. A cable in pieces has a bus for each piece: ``bus``, ``bus_2``, ...;
two frames at one time are never on one piece, and a piece keeps its number while its nodes are
heard on it. A frame that fails is drawn up to the bit that showed the error, followed by the error
flag of its sender. Left out are the flags that other nodes add to it, and all that follows a frame
whose sender or cable went away. Receivers that a fault keeps from hearing a frame are drawn idle.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from operator import attrgetter

from bench.recording import ControllerChange, Recording
from bench.wire import WireRecord
from bench.wire.bitclock import BitClock, SwitchingClock
from bench.wire.frame import bits, length_bits

FLAG_BITS = 6
ACK_FROM_END = 9
Edge = tuple[int, int]
"""An instant in ns and the level from there on, 0 or 1."""


@dataclass(slots=True)
class Course:
    """One frame bit by bit, from its start of frame on; what is not named is recessive."""

    start_ns: int
    bus: str
    driven: dict[str, str]
    clock: BitClock
    """When its bits begin, counted from there."""

    @property
    def length(self) -> int:
        """How many bits are drawn."""
        return max(len(self.bus), *(len(line) for line in self.driven.values()))


@dataclass(slots=True)
class _Piece:
    """One piece of the cable: until when it is taken, and who was last heard on it."""

    free_ns: int = 0
    heard: set[str] = field(default_factory=set)
    edges: list[Edge] = field(default_factory=list)


def waveform(
    recording: Recording, bit_rate: int, nodes: Sequence[str], data_bit_rate: int | None = None
) -> dict[str, list[Edge]]:
    """Every channel's changes of level: the bus (or its pieces) first, then the nodes.

    All channels are recessive (1) before their first edge. ``nodes`` are in cable order.
    ``data_bit_rate`` is that of the faster part of CAN FD frames; default: ``bit_rate``.
    """
    pieces = [_Piece()]
    lines: dict[str, list[Edge]] = {node: [] for node in nodes}
    for record in sorted(recording.frames, key=attrgetter("start_ns")):
        course = course_of(record, bit_rate, recording.controllers, data_bit_rate)
        piece = _piece_for(pieces, record)
        piece.edges += _edges(course, course.bus)
        piece.heard = {record.sender, *record.receivers, *record.rivals}
        piece.free_ns = record.start_ns + course.clock[course.length]
        for node, driven in course.driven.items():
            lines.setdefault(node, []).extend(_edges(course, driven))
    names = ["bus", *(f"bus_{number}" for number in range(2, len(pieces) + 1))]
    buses = {name: piece.edges for name, piece in zip(names, pieces, strict=True)}
    return {**buses, **lines}


def _piece_for(pieces: list[_Piece], record: WireRecord) -> _Piece:
    """The piece that a frame is on: one where its nodes were last heard, if it is free."""
    free = [piece for piece in pieces if piece.free_ns <= record.start_ns]
    nodes = {record.sender, *record.receivers, *record.rivals}
    for piece in free:
        if piece.heard & nodes:
            return piece
    if not free:
        free = [_Piece()]
        pieces += free
    return free[0]


def course_of(
    record: WireRecord,
    bit_rate: int,
    controllers: Mapping[str, Sequence[ControllerChange]],
    data_bit_rate: int | None = None,
) -> Course:
    """One frame, or attempt at one, as bits.

    :param controllers: changes of the controllers' error states: who sends which error flag.
        Behind an error in the faster part of a CAN FD frame it is drawn at the data bit rate, too.
    """
    clock = SwitchingClock(record.frame, bit_rate, data_bit_rate or bit_rate)
    if record.error is None:
        return _good(record, clock)
    span_ns = record.end_ns - record.start_ns
    ends = range(length_bits(record.frame) + 1)
    if record.error == "broken_off":
        shown = bisect_right(ends, span_ns, key=clock.__getitem__) - 1
        driven = {record.sender: _sent(record)[:shown]}
        return Course(record.start_ns, bits(record.frame)[:shown], driven, clock)
    shown = bisect_left(ends, span_ns - 1, key=clock.__getitem__)  # bits up to the error
    return _failed(record, shown, controllers, clock)


def _sent(record: WireRecord) -> str:
    """What the sender drives if nothing goes wrong: the acknowledgement comes from others."""
    whole = bits(record.frame)
    slot = len(whole) - ACK_FROM_END
    return whole[:slot] + "1" + whole[slot + 1 :]


def _good(record: WireRecord, clock: BitClock) -> Course:
    whole = bits(record.frame)
    slot = len(whole) - ACK_FROM_END
    driven = dict.fromkeys((record.sender, *record.rivals), _sent(record))
    driven |= dict.fromkeys(record.receivers, "1" * slot + "0")
    return Course(record.start_ns, whole, driven, clock)


def _failed(
    record: WireRecord,
    shown: int,
    controllers: Mapping[str, Sequence[ControllerChange]],
    clock: BitClock,
) -> Course:
    sent = _sent(record)[:shown]
    last = sent[-1]
    seen = last if record.error == "ack" else "0" if last == "1" else "1"
    if record.error == "collision":
        seen = "0"  # whoever of them sends dominant is seen
    flags = {}
    for node in (record.sender, *record.rivals):
        active = _was_active(controllers.get(node, ()), record.start_ns)
        flags[node] = ("0" if active else "1") * FLAG_BITS
    driven = {node: sent + flag for node, flag in flags.items()}
    if record.error == "collision":
        other = "0" if last == "1" else "1"
        driven |= {node: sent[:-1] + other + flags[node] for node in record.rivals}
    together = "0" * FLAG_BITS if "0" in "".join(flags.values()) else "1" * FLAG_BITS
    before = bits(record.frame)[: shown - 1]
    return Course(record.start_ns, before + seen + together, driven, clock)


def _was_active(changes: Sequence[ControllerChange], at_ns: int) -> bool:
    """Whether a controller was error-active at an instant: the flag follows the state before."""
    state = "ACTIVE"
    for change in changes:
        if change.at_ns > at_ns:
            break
        state = change.state
    return state != "PASSIVE"


def _edges(course: Course, line: str) -> Iterator[Edge]:
    before = "1"
    for place, bit in enumerate(line):
        if bit != before:
            yield course.start_ns + course.clock[place], int(bit)
            before = bit
    if before == "0":
        yield course.start_ns + course.clock[len(line)], 1
