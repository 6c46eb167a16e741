"""The frames around an instant: what the bus carried when it mattered."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from linkloss.bus import BusRecord
from linkloss.model.loading import Vehicle
from linkloss.recording import Recording
from linkloss.report.html.sheet import FrameLine
from linkloss.report.html.traffic import CAUSES, hex_identifier

BEFORE, AFTER = 8, 4
"""How many frames are shown before and behind the instant."""
FAILURES = 3
"""How many attempts of one sender at one frame that failed in a row are shown."""


def frames_around(
    vehicle: Vehicle, recording: Recording, at_ns: int, asking: Sequence[str]
) -> tuple[FrameLine, ...]:
    """The frames that ended last before an instant, and first behind it. The last message of
    each name in ``asking`` before it is among them, however long ago it came.
    """
    names = {(info.identifier, info.extended): info.name for info in vehicle.messages.values()}
    ordered = sorted(recording.frames, key=lambda record: record.end_ns)
    past = [record for record in ordered if record.end_ns <= at_ns]
    coming = [record for record in ordered if record.end_ns > at_ns]
    found = [*_asked(past, names, asking), *_thinned(past[::-1], BEFORE)[::-1]]
    found += _thinned(coming, AFTER)
    chosen = sorted({id(record): record for record in found}.values(), key=lambda one: one.end_ns)
    return tuple(_line(record, names, at_ns, asking) for record in chosen)


def _asked(
    past: Sequence[BusRecord], names: dict[tuple[int, bool], str], asking: Sequence[str]
) -> Iterator[BusRecord]:
    good = [record for record in past if record.error is None]
    for message in asking:
        alike = (
            record
            for record in reversed(good)
            if names.get((record.frame.identifier, record.frame.extended)) == message
        )
        last = next(alike, None)
        if last is not None:
            yield last


def _thinned(records: Sequence[BusRecord], most: int) -> list[BusRecord]:
    """The first ones; of a row of failed attempts at one frame only some."""
    found: list[BusRecord] = []
    row = 0
    for record in records:
        alike = (
            bool(found)
            and record.error is not None
            and (
                (found[-1].sender, found[-1].frame, found[-1].error)
                == (record.sender, record.frame, record.error)
            )
        )
        row = row + 1 if alike else 0
        if row < FAILURES:
            found.append(record)
        if len(found) == most:
            break
    return found


def _line(
    record: BusRecord, names: dict[tuple[int, bool], str], at_ns: int, asking: Sequence[str]
) -> FrameLine:
    frame = record.frame
    name = names.get((frame.identifier, frame.extended), "")
    data = "remote" if frame.remote else frame.data.hex(" ").upper()
    return FrameLine(
        since=f"{(record.end_ns - at_ns) / 1e6:+.2f} ms",
        identifier=hex_identifier(frame.identifier, frame.extended),
        message=name,
        sender=record.sender,
        data=data,
        fate=_fate(record),
        failed=record.error is not None,
        asks=name in asking,
    )


def _fate(record: BusRecord) -> str:
    if record.error is not None:
        return f"failed: {CAUSES.get(record.error, record.error)}"
    fate = f"to {', '.join(record.receivers)}" if record.receivers else "to nobody"
    if record.lost_overrun:
        fate += f"; lost in a full receive FIFO: {', '.join(record.lost_overrun)}"
    return fate
