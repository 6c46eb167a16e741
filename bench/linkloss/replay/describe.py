"""What is in a log: identifiers, periods, lengths, load, signals, and what is wrong with them.

The first thing that a builder runs on a log. One pass, in memory that does not grow with it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from cantools.database import Database

from linkloss.bus.bitclock import SwitchingClock
from linkloss.bus.frame import INTERMISSION_BITS, Frame, length_bits
from linkloss.model.loading import Vehicle
from linkloss.model.vehicle import BusTable
from linkloss.replay.load import Load
from linkloss.replay.protect import protection
from linkloss.replay.seen import Seen, Watched
from linkloss.replay.source import LogFile
from linkloss.replay.stream import Tally, frames

GATHERED = 16_384
"""Frames that are looked at together."""
STALE_PERIODS = 5
"""Without a vehicle, a message counts as stale after so many of its periods; common practice."""


@dataclass(slots=True)
class Description:
    """A log in figures; instants count from its first frame on."""

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
    channels: Mapping[str, int] = field(default_factory=dict)

    @property
    def unknown(self) -> list[Seen]:
        """The identifiers that the DBC does not know; none where there is no DBC."""
        return [seen for seen in self.seen if seen.message is None] if self.known else []


def describe(
    path: str | Path,
    *,
    database: Database | None = None,
    vehicle: Vehicle | None = None,
    bit_rate: int | None = None,
    channel: str | None = None,
) -> Description:
    """Look at a log.

    :param database: the messages; None takes those of the vehicle, if there is one.
    :param vehicle: whose loads say when a message is stale.
    :param bit_rate: of the bus, bits per second; None takes that of the vehicle, if any.
    :param channel: of the log; None takes that of its first message.
    :raises BadInput: for a log that cannot be read.
    """
    if database is None and vehicle is not None:
        database = vehicle.database
    if bit_rate is None and vehicle is not None:
        bit_rate = vehicle.bus.bit_rate
    fd = vehicle is not None and vehicle.fd
    bits = _bits if vehicle is None else partial(_nominal_bits, vehicle.bus)
    watched = _watched(database, vehicle)
    groups = {_group(key): watch for key, watch in watched.items() if _for_any_sender(key)}
    log, tally, load = LogFile(path), Tally(), Load()
    seen: dict[tuple[int, bool], Seen] = {}
    waiting = 0
    for at_ns, frame, name in frames(log, tally, channel, fd=fd):
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
        entry.end(tally.last_ns)
    there = {entry.message.name for entry in seen.values() if entry.message is not None}
    absent = [watch.message.name for watch in watched.values() if watch.message.name not in there]
    return Description(
        path=Path(path),
        channel=channel or "",
        frames=tally.frames,
        lasted_ns=tally.last_ns,
        load=load,
        bit_rate=bit_rate,
        seen=sorted(seen.values(), key=lambda entry: (entry.extended, entry.identifier)),
        absent=sorted(absent),
        notes=[*log.notes(), *tally.notes()],
        known=database is not None,
        channels=tally.channels,
    )


def _take(seen: Mapping[tuple[int, bool], Seen], load: Load, bits: Callable[[Frame], int]) -> None:
    for entry in seen.values():
        if entry.times:
            for at_ns, frame in zip(entry.times, entry.frames, strict=True):
                load.take(at_ns, bits(frame))
            entry.take()


def _bits(frame: Frame) -> int:
    return length_bits(frame) + INTERMISSION_BITS


def _nominal_bits(bus: BusTable, frame: Frame) -> int:
    """The same; of a frame that is faster in part, as many nominal bits as take its time."""
    if not frame.fd:
        return _bits(frame)
    fast = bus.bit_rate if bus.data_bit_rate is None else bus.data_bit_rate
    span_ns = SwitchingClock(frame, bus.bit_rate, fast)[_bits(frame)]
    return round(span_ns * bus.bit_rate / 1e9)


Key = tuple[int, bool]


def _for_any_sender(key: Key) -> bool:
    """Whether a DBC means a parameter group whoever sends it: the source address is then 0xFE,
    the null address (SAE J1939-81; that DBC files use it so is common practice).
    """
    identifier, extended = key
    return extended and identifier & 0xFF == 0xFE


def _group(key: Key) -> int | None:
    """The parameter group of an extended identifier: without priority, source address and, where
    there is one, destination address (SAE J1939-21, from memory).
    """
    identifier, extended = key
    if not extended:
        return None
    group = identifier >> 8 & 0x3FFFF
    return group if group & 0xFF00 >= 0xF000 else group & 0x3FF00


def _watched(database: Database | None, vehicle: Vehicle | None) -> dict[tuple[int, bool], Watched]:
    """What is known of each message beforehand."""
    if database is None:
        return {}
    stale = _stale_times(vehicle)
    found = {}
    for message in database.messages:
        limits = dict(stale.get(message.name, {}))
        if vehicle is None and message.cycle_time:
            limit_ns = STALE_PERIODS * message.cycle_time * 1_000_000
            limits[limit_ns] = (f"{STALE_PERIODS} of its periods",)
        key = (message.frame_id, bool(message.is_extended_frame))
        found[key] = Watched(message, protection(message), limits)
    return found


def _stale_times(vehicle: Vehicle | None) -> dict[str, dict[int, tuple[str, ...]]]:
    """By message and stale time: the loads that go stale then."""
    found: dict[str, dict[int, tuple[str, ...]]] = {}
    for name, load in (vehicle.loads if vehicle is not None else {}).items():
        if load.stale_after is None:
            continue
        for message in load.watched:
            limits = found.setdefault(message, {})
            limits[load.stale_after] = (*limits.get(load.stale_after, ()), name)
    return found
