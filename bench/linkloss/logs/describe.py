"""What is in a log: identifiers, periods, lengths, load, signals, and what is wrong with them.

This is the first thing that a builder runs on a log. It takes one pass, in memory that does not
grow with the log:

* :class:`Load` has the bits on the bus second by second. For a log of hours the slices become
  coarser, so that there are never more than ``MOST_SLICES``.
* :class:`Intervals` counts the times between frames in whole units. If there are too many different
  times, the unit doubles: a median is then exact to that unit, which is small compared with the
  times themselves.
* :class:`Seen` is what a log shows of one identifier.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from pathlib import Path

from cantools.database import Database
from cantools.database.can import Message as DbcMessage

from linkloss.bus.frame import INTERMISSION_BITS, FdFrame, Frame, SwitchingClock, length_bits
from linkloss.logs.protect import Columns, Protection, SignalColumn, plain_signals, protection
from linkloss.logs.source import LogFile, many
from linkloss.logs.stream import Tally, frames
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.tables import BusTable

NS_PER_S = 1_000_000_000
MOST_SLICES = 4096
STANDARD_RATES = (125_000, 250_000, 500_000, 1_000_000)
"""Usual bit rates of classical CAN in vehicles, in bits per second; common practice."""


class Load:
    """Bits on the bus by slices of time, intermission included. ``switched`` counts frames of which
    a part may be faster; all their bits are counted as if they were not.
    """

    def __init__(self) -> None:
        self.slice_ns = NS_PER_S
        self.bits: dict[int, int] = {}
        self.total_bits = 0
        self.switched = 0

    def take(self, at_ns: int, bits: int) -> None:
        """Add bits that were on the bus at an instant."""
        place = at_ns // self.slice_ns
        self.total_bits += bits
        self.bits[place] = self.bits.get(place, 0) + bits
        if len(self.bits) > MOST_SLICES:
            merged: dict[int, int] = {}
            for place, number in self.bits.items():
                merged[place // 2] = merged.get(place // 2, 0) + number
            self.bits = merged
            self.slice_ns *= 2

    @property
    def busiest(self) -> tuple[int, float]:
        """The beginning of the busiest slice in ns, and its bits per second."""
        place = max(self.bits, key=lambda place: (self.bits[place], -place), default=0)
        return place * self.slice_ns, self.bits.get(place, 0) * NS_PER_S / self.slice_ns

    def mean(self, lasted_ns: int) -> float:
        """Bits per second over the whole log."""
        return self.total_bits * NS_PER_S / lasted_ns if lasted_ns else 0.0

    def profile(self, lasted_ns: int, parts: int) -> list[float]:
        """Bits per second in each of ``parts`` equal parts of the log, or in fewer slices."""
        slices = max(1, -(-lasted_ns // self.slice_ns))
        parts = max(1, min(parts, slices))
        sums = [0] * parts
        for place, bits in self.bits.items():
            sums[min(parts - 1, place * parts // slices)] += bits
        return [bits * parts * NS_PER_S / max(1, lasted_ns) for bits in sums]

    def rate_guess(self) -> int | None:
        """The slowest usual bit rate that can carry the busiest slice; None if none can."""
        most = self.busiest[1]
        return next((rate for rate in STANDARD_RATES if rate >= most), None)


MOST_DIFFERENT = 2048
FIRST_UNIT_NS = 1000


class Intervals:
    """Times between neighbours in a series of instants; all in ns."""

    def __init__(self, alarms_ns: Sequence[int] = ()) -> None:
        """``alarms_ns`` are limits; for each one the intervals above it are counted."""
        self.alarms = {alarm_ns: Alarm(alarm_ns) for alarm_ns in sorted(set(alarms_ns))}
        self.count = 0
        self.longest_ns = 0
        self.longest_at_ns = 0
        self.shortest_ns: int | None = None
        self.unit_ns = FIRST_UNIT_NS
        self._least_alarm_ns = min(self.alarms, default=None)
        self._counts: Counter[int] = Counter()
        self._last_ns: int | None = None

    def take(self, times: Sequence[int]) -> None:
        """Add instants, later than all before."""
        if self._last_ns is not None:
            times = [self._last_ns, *times]
        self._last_ns = times[-1]
        spans = [later - earlier for earlier, later in pairwise(times)]
        if not spans:
            return
        self.count += len(spans)
        unit_ns = self.unit_ns
        self._counts.update([span // unit_ns for span in spans])
        longest_ns, shortest_ns = max(spans), min(spans)
        if longest_ns > self.longest_ns:
            self.longest_ns = longest_ns
            self.longest_at_ns = times[spans.index(longest_ns)]
        self.shortest_ns = min(shortest_ns, self.shortest_ns or shortest_ns)
        if self._least_alarm_ns is not None and longest_ns > self._least_alarm_ns:
            for at_ns, span in zip(times, spans, strict=False):
                self._sound(at_ns, span)
        while len(self._counts) > MOST_DIFFERENT:
            self._coarser()

    def end(self, end_ns: int) -> None:
        """End the series; the silence up to its end counts for the alarms."""
        if self._last_ns is not None:
            self._sound(self._last_ns, end_ns - self._last_ns)

    def _sound(self, at_ns: int, span_ns: int) -> None:
        for alarm_ns, alarm in self.alarms.items():
            if span_ns > alarm_ns:
                alarm.note(at_ns, span_ns)

    def quantile(self, share: float) -> int | None:
        """The interval that this share of all does not exceed, in ns; None if there are none."""
        wanted, seen = share * self.count, 0
        for value in sorted(self._counts):
            seen += self._counts[value]
            if seen >= wanted:
                return value * self.unit_ns + (self.unit_ns // 2 if self.unit_ns > 1000 else 0)
        return None

    @property
    def median_ns(self) -> int | None:
        """The median interval in ns; None if there are no intervals."""
        return self.quantile(0.5)

    @property
    def jitter_ns(self) -> int | None:
        """Half of the span that the middle 90 % of the intervals cover, in ns."""
        low, high = self.quantile(0.05), self.quantile(0.95)
        return None if low is None or high is None else (high - low) // 2

    def _coarser(self) -> None:
        merged: Counter[int] = Counter()
        for value, number in self._counts.items():
            merged[value // 2] += number
        self._counts = merged
        self.unit_ns *= 2


class Alarm:
    """Silences longer than a limit: how many, and the longest one."""

    def __init__(self, limit_ns: int) -> None:
        self.limit_ns = limit_ns
        self.times = 0
        self.longest_ns = 0
        self.longest_at_ns = 0

    def note(self, at_ns: int, span_ns: int) -> None:
        """Add a silence that began at an instant."""
        self.times += 1
        if span_ns > self.longest_ns:
            self.longest_ns, self.longest_at_ns = span_ns, at_ns


MOST_CONTENTS = 2_000
"""The most different contents of a message with multiplexed signals that are decoded one by one."""


@dataclass(frozen=True, slots=True)
class Watched:
    """What is known about a message before the log is read. ``limits`` are its stale times in ns,
    with the loads (or the reason) that each belongs to.
    """

    message: DbcMessage
    protection: Protection | None
    limits: Mapping[int, tuple[str, ...]]


class Seen:
    """The frames of one identifier. They are gathered in ``times`` (ns) and ``frames`` until
    :meth:`take` evaluates and drops them.
    """

    def __init__(self, identifier: int, extended: bool, watched: Watched | None) -> None:
        self.identifier = identifier
        self.extended = extended
        self.message = None if watched is None else watched.message
        self.protection = None if watched is None else watched.protection
        self.limits = {} if watched is None else watched.limits
        self.times: list[int] = []
        self.frames: list[Frame] = []
        self.count = 0
        self.remote = 0
        self.wrong_length = 0
        self.undecoded = 0
        self.lengths: Counter[int] = Counter()
        self.intervals = Intervals(tuple(self.limits))
        self.signals: list[SignalColumn] = [] if self.message is None else plain_signals(
            self.message)  # fmt: skip
        self._known = {signal.name for signal in self.signals}
        self.ranges: dict[str, tuple[float, float]] = {}
        self._contents: set[bytes] = set()

    def take(self) -> None:
        """Evaluate and drop what was gathered."""
        self.count += len(self.frames)
        self.intervals.take(self.times)
        self.lengths.update([len(frame.data) for frame in self.frames])
        self.remote += sum([frame.remote for frame in self.frames])
        if self.message is not None:
            self._decode(self.message)
        self.times.clear()
        self.frames.clear()

    def end(self, end_ns: int) -> None:
        """End the log."""
        self.intervals.end(end_ns)

    def all_ranges(self) -> dict[str, tuple[float, float]]:
        """The smallest and the largest value of every signal that occurred, in its unit."""
        found = dict(self.ranges)
        for signal in self.signals:
            limits = signal.limits
            if limits is not None:
                found[signal.name] = limits
        order = [] if self.message is None else [signal.name for signal in self.message.signals]
        return {name: found[name] for name in order if name in found}

    def _decode(self, message: DbcMessage) -> None:
        length = message.length
        rows = [
            (at_ns, frame.data)
            for at_ns, frame in zip(self.times, self.frames, strict=True)
            if len(frame.data) == length and not frame.remote
        ]
        self.wrong_length += len(self.frames) - len(rows) - sum([f.remote for f in self.frames])
        if not rows:
            return
        payloads = [data for _, data in rows]
        if self.signals or self.protection is not None:
            columns = Columns(payloads, length)
            for signal in self.signals:
                signal.take(columns)
            if self.protection is not None:
                self.protection.take([at_ns for at_ns, _ in rows], payloads, columns)
        if len(self.signals) < len(message.signals):
            self._one_by_one(message, payloads)

    def _one_by_one(self, message: DbcMessage, payloads: list[bytes]) -> None:
        """Decode the signals that are not in every frame."""
        for data in sorted(set(payloads) - self._contents):
            if len(self._contents) >= MOST_CONTENTS:
                return
            self._contents.add(data)
            try:
                values = message.decode_simple(data, decode_choices=False)
            except Exception:  # noqa: BLE001 - a DBC that is read leniently may say anything
                self.undecoded += 1
                continue
            for name, value in values.items():
                if name not in self._known and isinstance(value, int | float):
                    low, high = self.ranges.get(name, (value, value))
                    self.ranges[name] = (min(low, value), max(high, value))


GATHERED = 16_384
"""How many frames are evaluated together."""
STALE_PERIODS = 5
"""Without a vehicle, a message counts as stale after this many periods; common practice."""


@dataclass(slots=True)
class Description:
    """A log in figures; instants count from its first frame on. ``timed``: it has times; without
    any there is no load, no period and no gap.
    """

    path: Path
    channel: str
    frames: int
    lasted_ns: int
    load: Load
    bit_rate: int | None
    seen: list[Seen]
    absent: list[str]
    notes: list[str]
    known: bool
    timed: bool
    channels: Mapping[str, int] = field(default_factory=dict)

    @property
    def unknown(self) -> list[Seen]:
        """The identifiers that the DBC does not know; empty if there is no DBC."""
        return [seen for seen in self.seen if seen.message is None] if self.known else []


def describe(
    path: str | Path,
    *,
    database: Database | None = None,
    vehicle: Vehicle | None = None,
    bit_rate: int | None = None,
    channel: str | None = None,
) -> Description:
    """Describe a log.

    :param database: the messages; None takes those of the vehicle, if any.
    :param vehicle: its loads say when a message is stale.
    :param bit_rate: of the bus, in bits per second; None takes that of the vehicle, if any.
    :param channel: of the log; None takes that of its first message.
    :raises BadInput: for a log that cannot be read.
    """
    if database is None and vehicle is not None:
        database = vehicle.database
    bus = None if vehicle is None else vehicle.only_bus("a description of a log")
    if bit_rate is None and bus is not None:
        bit_rate = bus.bit_rate
    fd = vehicle is None or vehicle.fd
    bits = _bits if bus is None else partial(_nominal_bits, bus)
    watched = _watched(database, vehicle)
    groups = {_group(key): watch for key, watch in watched.items() if _for_any_sender(key)}
    log, tally, load = LogFile(path), Tally(), Load()
    seen: dict[tuple[int, bool], Seen] = {}
    waiting = 0
    for at_ns, frame, name in frames(log, tally, channel, fd=fd, timeless=True):
        key = (frame.identifier, frame.extended)
        entry = seen.get(key)
        if entry is None:
            entry = seen[key] = Seen(*key, watched.get(key) or groups.get(_group(key)))
            channel = name
        entry.times.append(at_ns)
        entry.frames.append(frame)
        waiting += 1
        if waiting == GATHERED:
            _take(seen, load, bits)
            waiting = 0
    _take(seen, load, bits)
    for entry in seen.values():
        if log.timeless:
            entry.intervals, entry.limits = Intervals(), {}
        entry.end(tally.last_ns)
    notes = [*log.notes(), *tally.notes()]
    if load.switched and vehicle is None and not log.timeless:
        number = many(load.switched, "CAN FD frame")
        text = "with a faster part, whose bit rate no log tells: the load is less than it says"
        notes.append(f"{number} {text}")
    there = {entry.message.name for entry in seen.values() if entry.message is not None}
    absent = [watch.message.name for watch in watched.values() if watch.message.name not in there]
    return Description(
        path=Path(path),
        channel=channel or "",
        frames=tally.frames,
        lasted_ns=tally.last_ns,
        load=Load() if log.timeless else load,
        bit_rate=bit_rate,
        seen=sorted(seen.values(), key=lambda entry: (entry.extended, entry.identifier)),
        absent=sorted(absent),
        notes=notes,
        known=database is not None,
        timed=not log.timeless,
        channels=tally.channels,
    )


def _take(seen: Mapping[tuple[int, bool], Seen], load: Load, bits: Callable[[Frame], int]) -> None:
    for entry in seen.values():
        if entry.times:
            for at_ns, frame in zip(entry.times, entry.frames, strict=True):
                load.take(at_ns, bits(frame))
                load.switched += isinstance(frame, FdFrame) and frame.bit_rate_switch
            entry.take()


def _bits(frame: Frame) -> int:
    return length_bits(frame) + INTERMISSION_BITS


def _nominal_bits(bus: BusTable, frame: Frame) -> int:
    """The same; for a frame with a faster part, the number of nominal bits that take its time."""
    if not frame.fd:
        return _bits(frame)
    fast = bus.bit_rate if bus.data_bit_rate is None else bus.data_bit_rate
    span_ns = SwitchingClock(frame, bus.bit_rate, fast)[_bits(frame)]
    return round(span_ns * bus.bit_rate / 1e9)


Key = tuple[int, bool]


def _for_any_sender(key: Key) -> bool:
    """Whether a DBC means a parameter group from any sender: the source address is then 0xFE, the
    null address (SAE J1939-81; that DBC files use it so is common practice).
    """
    identifier, extended = key
    return extended and identifier & 0xFF == 0xFE


def _group(key: Key) -> int | None:
    """The parameter group of an extended identifier: without priority, source address and, if
    there is one, destination address (SAE J1939-21, from memory).
    """
    identifier, extended = key
    if not extended:
        return None
    group = identifier >> 8 & 0x3FFFF
    return group if group & 0xFF00 >= 0xF000 else group & 0x3FF00


def _watched(database: Database | None, vehicle: Vehicle | None) -> dict[tuple[int, bool], Watched]:
    """What is known about each message before the log is read."""
    if database is None:
        return {}
    stale = _stale_times(vehicle)
    found = {}
    for message in database.messages:
        limits = dict(stale.get(message.name, {}))
        if vehicle is None and message.cycle_time:
            limit_ns = round(STALE_PERIODS * message.cycle_time * 1_000_000)
            limits[limit_ns] = (f"{STALE_PERIODS} of its periods",)
        key = (message.frame_id, bool(message.is_extended_frame))
        found[key] = Watched(message, protection(message), limits)
    return found


def _stale_times(vehicle: Vehicle | None) -> dict[str, dict[int, tuple[str, ...]]]:
    """The stale times in ns of each message, with the loads that go stale then."""
    found: dict[str, dict[int, tuple[str, ...]]] = {}
    for name, load in (vehicle.loads if vehicle is not None else {}).items():
        if load.stale_after is None:
            continue
        for message in load.watched:
            limits = found.setdefault(message, {})
            limits[load.stale_after] = (*limits.get(load.stale_after, ()), name)
    return found
