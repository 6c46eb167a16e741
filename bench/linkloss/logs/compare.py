"""What differs between two recordings, or a recording and a log: message by message, in time.

Frames of one identifier are paired in order of time. Two frames further apart than half of their
period are not paired: the one is missing in B, or the other is extra in it.

    A   |     |     |     |        the second of A is missing in B,
    B   |           ||    |        the third came twice

The stamps of a log may stand closer together than any bus can carry frames: an adapter hands over
what it has received in heaps. A replay of such a log is late where frames of the log kept the bus
busy from the stamp on, and that is no difference.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import ceil, inf
from pathlib import Path
from statistics import median_low

from linkloss.bus.frame import INTERMISSION_BITS, length_bits
from linkloss.bus.message import hex_identifier
from linkloss.logs.source import LogFile
from linkloss.logs.stream import Tally, frames
from linkloss.problem import BadInput
from linkloss.recording import Series, read_recording
from linkloss.vehicle.messages import MessageInfo

TOLERANCE_NS = 5_000_000
"""A frame that differs by more than this is late or early."""

_FIRST = 50
"""So many frames of a message are looked at to lay a replay beside its log."""

Key = tuple[int, bool, bool]
"""Identifier, whether it is extended, whether the frame is a remote frame."""
Row = tuple[int, bytes]
"""Instant in ns, content."""


@dataclass(slots=True)
class Side:
    """One of the two: its frames by identifier in order of time, and the levels of its loads."""

    path: Path
    rows: dict[Key, list[Row]]
    spans: list[tuple[int, int, Key]] = field(default_factory=list)
    """Of a recording: start and end of each good frame, in ns, in the order of their ends."""
    gap_ns: int = 0
    """Of a recording: the longest gap between two frames that follow each other at once."""
    simulated: dict[Key, str] = field(default_factory=dict)
    """Of a replay: who sent it, where that node ran its program."""
    outputs: Mapping[str, Series[float]] = field(default_factory=dict)
    end_ns: int = 0
    recorded: bool = False
    vehicle_file: str = ""
    notes: list[str] = field(default_factory=list)


@dataclass(slots=True)
class MessageDifference:
    """How one message differs. Instants are those of A's clock. ``signals`` has, by name, how often
    a signal differed, and the first time that it did: (instant, value in A, value in B).
    ``waited`` counts frames of a log that were late in its replay because other frames of the log
    had the bus; that is no difference. ``simulated`` is the node whose program sent it in a replay,
    where the log has none of it.
    """

    key: Key
    name: str
    paired: int = 0
    missing: int = 0
    first_missing_ns: int | None = None
    extra: int = 0
    first_extra_ns: int | None = None
    late: int = 0
    waited: int = 0
    simulated: str = ""
    latest_ns: int = 0
    latest_at_ns: int = 0
    changed: int = 0
    first_changed_ns: int | None = None
    signals: dict[str, tuple[int, int, float, float]] = field(default_factory=dict)

    @property
    def differs(self) -> bool:
        """Whether anything differs."""
        return bool(self.missing or self.extra or self.late or self.changed)


@dataclass(slots=True)
class OutputDifference:
    """The stretches in which a load was at different levels for longer than the tolerance."""

    load: str
    times: int
    total_ns: int
    first_ns: int
    in_a: float
    in_b: float


@dataclass(slots=True)
class Comparison:
    """Two sides compared. ``offset_ns`` was added to the instants of B."""

    a: Side
    b: Side
    tolerance_ns: int
    offset_ns: int
    messages: list[MessageDifference]
    outputs: list[OutputDifference]

    @property
    def differs(self) -> bool:
        """Whether anything differs."""
        return bool(self.outputs) or any(message.differs for message in self.messages)


def read_side(path: str | Path, channel: str | None = None) -> Side:
    """A recording (``.json``) or a log. Raises BadInput."""
    path = Path(path)
    rows: dict[Key, list[Row]] = {}
    if path.suffix.lower() == ".json":
        recording, named = read_recording(path)
        if len(recording.on_bus) > 1:
            text = (
                "a recording of several buses is not compared so far; expected one of a single bus"
            )
            raise BadInput.one(path, "", text)
        side = Side(path, rows, outputs=recording.outputs, end_ns=recording.end_ns)
        side.recorded, side.vehicle_file = True, named
        for record in sorted(recording.frames, key=lambda record: record.end_ns):
            frame = record.frame
            if record.error is None:
                key = (frame.identifier, frame.extended, frame.remote)
                rows.setdefault(key, []).append((record.end_ns, frame.data))
                side.spans.append((record.start_ns, record.end_ns, key))
                if recording.logged and record.sender not in recording.logged:
                    side.simulated[key] = record.sender
                if not side.gap_ns and not frame.fd:
                    bit_ns = (record.end_ns - record.start_ns) / length_bits(frame)
                    side.gap_ns = ceil((INTERMISSION_BITS + 1) * bit_ns)
        return side
    log, tally = LogFile(path), Tally()
    for at_ns, frame, _ in frames(log, tally, channel, fd=True):
        key = (frame.identifier, frame.extended, frame.remote)
        rows.setdefault(key, []).append((at_ns, frame.data))
    return Side(path, rows, end_ns=tally.last_ns, notes=[*log.notes(), *tally.notes()])


def compare(
    a: Side,
    b: Side,
    *,
    messages: Mapping[str, MessageInfo] | None = None,
    tolerance_ns: int = TOLERANCE_NS,
    only: frozenset[int] = frozenset(),
) -> Comparison:
    """Compare B with A.

    :param messages: definitions: with them a content counts as changed only if a signal changed
        that is neither counter nor checksum.
    :param tolerance_ns: frames and outputs that differ by no more than this count as equal.
    :param only: compare only these identifiers; empty stands for all.
    """
    offset_ns = 0 if a.recorded and b.recorded else _offset(a, b)
    known = {(info.identifier, info.extended, False): info for info in (messages or {}).values()}
    waits_a, waits_b = _waits(a, b), _waits(b, a)
    found = []
    for key in sorted({*a.rows, *b.rows}, key=lambda key: (key[1], key[0], key[2])):
        if only and key[0] not in only:
            continue
        pairing = _Pairing(key, known.get(key), tolerance_ns)
        pairing.waits_a, pairing.waits_b = waits_a.get(key, []), waits_b.get(key, [])
        pairing.run(a.rows.get(key, []), b.rows.get(key, []), offset_ns)
        for side, other in ((a, b), (b, a)):
            if key not in other.rows and not other.recorded:
                pairing.found.simulated = side.simulated.get(key, "")
        found.append(pairing.found)
    return Comparison(a, b, tolerance_ns, offset_ns, found, _all_outputs(a, b, tolerance_ns))


def _offset(a: Side, b: Side) -> int:
    """What to add to B's instants, in ns: the median of how much later the first frame of each
    message comes in A. Frames of a replay may have waited: of each message the one that waited
    least counts.
    """
    found = []
    for key in [key for key in a.rows if key in b.rows]:
        pairs = zip(a.rows[key][:_FIRST], b.rows[key][:_FIRST], strict=False)
        spans = [one[0] - other[0] for one, other in pairs]
        replayed = a.recorded - b.recorded
        found.append(min(spans) if replayed > 0 else max(spans) if replayed < 0 else spans[0])
    return median_low(found) if found else 0


def _waits(side: Side, log: Side) -> dict[Key, list[int]]:
    """Of a recording beside a log: for each frame the instant from which on frames that the log
    has, too, kept the bus busy up to it.
    """
    found: dict[Key, list[int]] = {}
    if log.recorded:
        return found
    busy_ns = free_ns = 0
    for start_ns, end_ns, key in side.spans:
        if start_ns > free_ns or key not in log.rows:
            busy_ns = start_ns
        free_ns = end_ns + (side.gap_ns if key in log.rows else 0)
        found.setdefault(key, []).append(busy_ns)
    return found


class _Pairing:
    """Pairs the frames of one identifier. ``waits``: since when each has waited for the bus."""

    def __init__(self, key: Key, info: MessageInfo | None, tolerance_ns: int) -> None:
        self.info = info
        self.tolerance_ns = tolerance_ns
        number = hex_identifier(key[0], key[1])
        name = f"{number} {info.name}" if info is not None else number
        self.found = MessageDifference(key, f"{name} (remote)" if key[2] else name)
        self.guards = frozenset[str]() if info is None else info.guards
        self.waits_a: Sequence[int] = ()
        self.waits_b: Sequence[int] = ()

    def run(self, a: Sequence[Row], b: Sequence[Row], offset_ns: int) -> None:
        reach_ns = max(self.tolerance_ns, _period(a or b) // 2)
        here = there = 0
        while here < len(a) and there < len(b):
            at_ns = a[here][0]
            late_ns = b[there][0] + offset_ns - at_ns
            waited = abs(late_ns) > self.tolerance_ns and (
                self._since(here, there, late_ns, offset_ns) <= at_ns + self.tolerance_ns
            )
            if late_ns > reach_ns and not waited:
                self._missing(at_ns)
                here += 1
            elif late_ns < -reach_ns and not waited:
                self._extra(at_ns + late_ns)
                there += 1
            else:
                self._pair(at_ns, a[here][1], b[there][1])
                if waited:
                    self.found.waited += 1
                elif abs(late_ns) > self.tolerance_ns:
                    self._late(at_ns, late_ns)
                here += 1
                there += 1
        for at_ns, _ in a[here:]:
            self._missing(at_ns)
        for at_ns, _ in b[there:]:
            self._extra(at_ns + offset_ns)

    def _missing(self, at_ns: int) -> None:
        self.found.missing += 1
        if self.found.first_missing_ns is None:
            self.found.first_missing_ns = at_ns

    def _extra(self, at_ns: int) -> None:
        self.found.extra += 1
        if self.found.first_extra_ns is None:
            self.found.first_extra_ns = at_ns

    def _since(self, here: int, there: int, late_ns: int, offset_ns: int) -> float:
        """Since when the later one of a pair waited for the bus, in the time of the other; that is
        known of a replay beside its log.
        """
        if late_ns > 0:
            return self.waits_b[there] + offset_ns if self.waits_b else inf
        return self.waits_a[here] - late_ns if self.waits_a else inf

    def _late(self, at_ns: int, late_ns: int) -> None:
        found = self.found
        found.late += 1
        if abs(late_ns) > abs(found.latest_ns):
            found.latest_ns, found.latest_at_ns = late_ns, at_ns

    def _pair(self, at_ns: int, before: bytes, after: bytes) -> None:
        found = self.found
        found.paired += 1
        if before != after and self._changed(at_ns, before, after):
            found.changed += 1
            if found.first_changed_ns is None:
                found.first_changed_ns = at_ns

    def _changed(self, at_ns: int, before: bytes, after: bytes) -> bool:
        info = self.info
        if info is None or not len(before) == len(after) == info.length:
            return True
        changed = False
        for signal in info.signals.values():
            if signal.name in self.guards or signal.raw(before) == signal.raw(after):
                continue
            if not (signal.present(before) and signal.present(after)):
                continue  # then its multiplexer differs too
            changed = True
            known = self.found.signals.get(signal.name)
            values = (signal.physical(before), signal.physical(after))
            first = (at_ns, *values) if known is None else known[1:]
            self.found.signals[signal.name] = (1 if known is None else known[0] + 1, *first)
        return changed


def _period(rows: Sequence[Row]) -> int:
    spans = [later[0] - earlier[0] for earlier, later in pairwise(rows)]
    return median_low(spans) if spans else 0


def _all_outputs(a: Side, b: Side, tolerance_ns: int) -> list[OutputDifference]:
    found = []
    for load in [name for name in a.outputs if name in b.outputs]:
        end_ns = min(a.end_ns, b.end_ns)
        difference = _output(load, a.outputs[load], b.outputs[load], end_ns, tolerance_ns)
        if difference is not None:
            found.append(difference)
    return found


def _output(
    load: str, a: Series[float], b: Series[float], end_ns: int, tolerance_ns: int
) -> OutputDifference | None:
    """The stretches in which two outputs differ for longer than the tolerance."""
    times = sorted({time for time in (*a.times, *b.times) if time < end_ns})
    stretches: list[tuple[int, int]] = []
    for from_ns, to_ns in pairwise([*times, end_ns]):
        if _level(a, from_ns) == _level(b, from_ns):
            continue
        if stretches and stretches[-1][1] == from_ns:
            stretches[-1] = (stretches[-1][0], to_ns)
        else:
            stretches.append((from_ns, to_ns))
    long = [(start, end) for start, end in stretches if end - start > tolerance_ns]
    if not long:
        return None
    first_ns = long[0][0]
    total_ns = sum(end - start for start, end in long)
    return OutputDifference(
        load, len(long), total_ns, first_ns, _level(a, first_ns), _level(b, first_ns)
    )


def _level(series: Series[float], at_ns: int) -> float:
    """The level at an instant; 0 before the first one."""
    place = bisect_right(series.times, at_ns)
    return series.values[place - 1] if place else 0.0
