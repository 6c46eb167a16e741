"""The bus of a run bit by bit: the level of the bus, and what each node drove.

    SOF identifier ... CRC | delimiter  ACK  delimiter  EOF
    bus     ...            |     1       0       1      1111111
    sender  ...            |     1       1       1      1111111
    others  11111111111111 |     1       0       1      1111111

0 is dominant, 1 is recessive. A cut cable has a bus for each piece: ``bus``, ``bus_2``, ... Two
simultaneous frames are never on one piece, and a piece keeps its number while its nodes are heard
on it. Where the bus was simulated bit by bit, everything is drawn as it was: failed frames, error
and overload flags, whatever a disturbed node drives. There, the level of the bus is what most nodes
read; a node that reads something else has its own channel, ``NODE_reads``. Receivers that cannot
hear a frame because of a fault are drawn idle.

:func:`vcd` writes levels over time as a value change dump (.vcd), which waveform viewers open.

Source: IEEE 1364-2005 section 18 (format, from memory). The time unit is a nanosecond. The file has
no date, so that the same run gives the same file.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from operator import attrgetter

from linkloss.bus import BitRecord, BusRecord
from linkloss.bus.frame import BitClock, SwitchingClock, bits
from linkloss.recording import Recording

_FIRST_CODE, _CODES = 33, 94
"""Identifier codes consist of the printable characters from ``!`` to ``~``."""


def vcd(
    channels: Mapping[str, Sequence[tuple[int, int]]],
    from_ns: int,
    to_ns: int,
    *,
    scope: str = "car",
) -> Iterator[str]:
    """A window of some channels as text, in pieces. Instants are those of the run. Before the
    window all channels are shown as recessive, because readers of the format expect levels from
    zero on.

    :param channels: name -> ascending (instant in ns, level 0 or 1); 1 before the first.
    :raises ValueError: if the window is empty.
    """
    if to_ns <= from_ns:
        raise ValueError(f"a window from {from_ns} ns to {to_ns} ns is empty")
    codes = [_code(number) for number in range(len(channels))]
    yield "$version linkloss $end\n$timescale 1 ns $end\n"
    yield f"$scope module {_word(scope)} $end\n"
    for code, name in zip(codes, _words(channels), strict=True):
        yield f"$var wire 1 {code} {name} $end\n"
    yield "$upscope $end\n$enddefinitions $end\n"
    yield "#0\n$dumpvars\n" + "".join(f"1{code}\n" for code in codes) + "$end\n"
    levels = [1] * len(codes)
    now_ns = 0
    for at_ns, number, level in _changes(channels, from_ns, to_ns):
        if level == levels[number]:
            continue
        levels[number] = level
        if at_ns != now_ns:
            now_ns = at_ns
            yield f"#{at_ns}\n"
        yield f"{level}{codes[number]}\n"
    yield f"#{to_ns}\n"


def _changes(
    channels: Mapping[str, Sequence[tuple[int, int]]], from_ns: int, to_ns: int
) -> list[tuple[int, int, int]]:
    """All changes inside the window and the levels at its beginning, in order: (instant in ns,
    number of the channel, level).
    """
    beginning = [
        (from_ns, number, _level_at(edges, from_ns))
        for number, edges in enumerate(channels.values())
    ]
    inside = (
        (at_ns, number, level)
        for number, edges in enumerate(channels.values())
        for at_ns, level in edges
        if from_ns < at_ns < to_ns
    )
    return sorted([*beginning, *inside])


def _level_at(edges: Sequence[tuple[int, int]], at_ns: int) -> int:
    level = 1
    for edge_ns, value in edges:
        if edge_ns > at_ns:
            break
        level = value
    return level


def _code(number: int) -> str:
    code = ""
    while True:
        number, digit = divmod(number, _CODES)
        code += chr(_FIRST_CODE + digit)
        if number == 0:
            return code
        number -= 1


def _words(names: Mapping[str, object]) -> list[str]:
    """Names without characters that the format forbids, all of them different."""
    words: list[str] = []
    for name in names:
        word, number = _word(name), 2
        while word in words:
            word, number = f"{_word(name)}_{number}", number + 1
        words.append(word)
    return words


def _word(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9_]", "_", name) or "_"


FLAG_BITS = 6
ACK_FROM_END = 9
Edge = tuple[int, int]
"""An instant in ns and the level from then on, 0 or 1."""


@dataclass(slots=True)
class Course:
    """One frame bit by bit, from its start of frame on. Nodes without an entry are recessive."""

    start_ns: int
    bus: str
    driven: dict[str, str]

    @property
    def length(self) -> int:
        """How many bits are drawn."""
        return max(len(self.bus), *(len(line) for line in self.driven.values()))


@dataclass(slots=True)
class _Piece:
    """One piece of the cable: until when it is occupied, and which nodes were last heard on it."""

    free_ns: int = 0
    heard: set[str] = field(default_factory=set)
    edges: list[Edge] = field(default_factory=list)


class _Drawing:
    """The channels, drawn event by event."""

    def __init__(self, nodes: Sequence[str]) -> None:
        self.pieces = [_Piece()]
        self.lines: dict[str, list[Edge]] = {node: [] for node in nodes}
        self.reads: dict[str, list[Edge]] = {}

    def frame(self, record: BusRecord, clock: BitClock, *, active: bool) -> None:
        """Draw a frame that was simulated as a whole."""
        course = course_of(record, active=active)
        nodes = {record.sender, *record.receivers, *record.rivals}
        piece = self._piece(nodes, course.start_ns, course.start_ns + clock[course.length])
        piece.edges += _edges(course.start_ns, course.bus, clock)
        for node, driven in course.driven.items():
            self.lines.setdefault(node, []).extend(_edges(course.start_ns, driven, clock))

    def bit(self, bit: BitRecord) -> None:
        """Draw one bit, or several equal ones in a row."""
        piece = self._piece(set(bit.nodes), bit.start_ns, bit.end_ns)
        dominant = 2 * bit.seen.bit_count() >= len(bit.nodes)
        _draw(piece.edges, bit, dominant=dominant)
        for place, node in enumerate(bit.nodes):
            reads = bool(bit.seen >> place & 1)
            _draw(self.lines.setdefault(node, []), bit, dominant=bool(bit.driven >> place & 1))
            if reads != dominant:
                self.reads.setdefault(f"{node}_reads", [])

    def reading(self, bit: BitRecord) -> None:
        """Draw the same bit for nodes that do not always read the level of the bus."""
        for place, node in enumerate(bit.nodes):
            edges = self.reads.get(f"{node}_reads")
            if edges is not None:
                _draw(edges, bit, dominant=bool(bit.seen >> place & 1))

    def _piece(self, nodes: set[str], start_ns: int, end_ns: int) -> _Piece:
        """The piece for a frame or bit: a free one on which its nodes were last heard, or else
        another.
        """
        free = [piece for piece in self.pieces if piece.free_ns <= start_ns]
        found = next((piece for piece in free if piece.heard & nodes), None)
        if found is None and not free:
            self.pieces.append(_Piece())
        found = found or (free or self.pieces[-1:])[0]
        found.heard, found.free_ns = nodes, end_ns
        return found


def waveform(
    recording: Recording, bit_rate: int, nodes: Sequence[str], data_bit_rate: int | None = None
) -> dict[str, list[Edge]]:
    """Every channel's changes of level: the bus (or its pieces) first, then the nodes, then what
    nodes read if that differs from the bus.

    All channels are recessive (1) before their first edge. ``nodes`` are in cable order. A failed
    frame is not drawn unless the recording has its bits, or it failed because no one acknowledged
    it. Bit rates are in bit/s; ``data_bit_rate`` is that of the data phase of CAN FD frames
    (default: ``bit_rate``).
    """
    drawing = _Drawing(nodes)
    followed = _followed(recording.bits)
    passive = _error_states(recording)
    events: list[BusRecord | BitRecord] = [
        record for record in recording.frames if not _is_in(followed, record)
    ]
    for event in sorted([*events, *recording.bits], key=attrgetter("start_ns")):
        if isinstance(event, BitRecord):
            drawing.bit(event)
        elif event.error in (None, "ack"):
            active = not _at(passive.get(event.sender, ()), event.start_ns)
            clock = SwitchingClock(event.frame, bit_rate, data_bit_rate or bit_rate)
            drawing.frame(event, clock, active=active)
    for bit in recording.bits:
        drawing.reading(bit)
    pieces = drawing.pieces
    names = ["bus", *(f"bus_{number}" for number in range(2, len(pieces) + 1))]
    buses = {name: piece.edges for name, piece in zip(names, pieces, strict=True)}
    return {**buses, **drawing.lines, **drawing.reads}


def course_of(record: BusRecord, *, active: bool = True) -> Course:
    """A good frame as bits, or one that no one acknowledged.

    :param active: whether its sender is error-active, and shows so in an error flag.
    """
    sent, whole = _sent(record), bits(record.frame)
    slot = len(whole) - ACK_FROM_END
    if record.error is not None:
        line = sent[: slot + 1] + ("0" if active else "1") * FLAG_BITS
        return Course(record.start_ns, line, {record.sender: line})
    driven = dict.fromkeys((record.sender, *record.rivals), sent)
    driven |= dict.fromkeys(record.receivers, "1" * slot + "0")
    return Course(record.start_ns, whole, driven)


def _followed(followed: Sequence[BitRecord]) -> dict[str, tuple[list[int], list[int]]]:
    """For each node, the starts and ends of the stretches in which its bus was simulated bit by
    bit.
    """
    found: dict[str, tuple[list[int], list[int]]] = {}
    for bit in followed:
        for node in bit.nodes:
            starts, ends = found.setdefault(node, ([], []))
            if ends and ends[-1] == bit.start_ns:
                ends[-1] = bit.end_ns
            else:
                starts.append(bit.start_ns)
                ends.append(bit.end_ns)
    return found


def _is_in(followed: dict[str, tuple[list[int], list[int]]], record: BusRecord) -> bool:
    starts, ends = followed.get(record.sender, ([], []))
    place = bisect_right(starts, record.start_ns) - 1
    return place >= 0 and record.start_ns < ends[place]


def _error_states(recording: Recording) -> dict[str, list[tuple[int, bool]]]:
    """For each node, when it became error-passive and when it ceased to be."""
    return {
        node: [(change.at_ns, change.state == "PASSIVE") for change in changes]
        for node, changes in recording.controllers.items()
    }


def _at(changes: Sequence[tuple[int, bool]], at_ns: int) -> bool:
    place = bisect_right([when_ns for when_ns, _ in changes], at_ns) - 1
    return place >= 0 and changes[place][1]


def _draw(edges: list[Edge], bit: BitRecord, *, dominant: bool) -> None:
    """Draw a bit that is dominant from its beginning to its end."""
    if not dominant:
        return
    if edges and edges[-1] == (bit.start_ns, 1):
        edges.pop()  # the dominant level continues
    else:
        edges.append((bit.start_ns, 0))
    edges.append((bit.end_ns, 1))


def _sent(record: BusRecord) -> str:
    """What the sender drives if nothing goes wrong. The acknowledgement comes from others."""
    whole = bits(record.frame)
    slot = len(whole) - ACK_FROM_END
    return whole[:slot] + "1" + whole[slot + 1 :]


def _edges(start_ns: int, line: str, clock: BitClock) -> Iterator[Edge]:
    before = "1"
    for place, bit in enumerate(line):
        if bit != before:
            yield start_ns + clock[place], int(bit)
            before = bit
    if before == "0":
        yield start_ns + clock[len(line)], 1
