"""One run in detail: its picture, the frames around an instant, the events in words, and the bus.

The part on the bus shows how busy it was, how long messages took, and what the error counters did.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from statistics import median
from typing import NamedTuple

from linkloss.bus import BusRecord
from linkloss.bus.message import hex_identifier
from linkloss.campaign.result import RunResult
from linkloss.judge import Verdict
from linkloss.judge.case import Case
from linkloss.recording import Handed, Recording
from linkloss.report.html.lanes import bus_lanes, lanes, moved_loads, picture
from linkloss.report.html.sheet import (
    CounterLine,
    Fact,
    Flag,
    FrameLine,
    MessageLine,
    Picture,
    Scene,
    Traffic,
)
from linkloss.report.timeline import events, instant, state_words
from linkloss.units import show_duration
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo

INTERMISSION_BITS = 3
"""Bits between two frames in which no one may send (ISO 11898-1:2015 section 10.4.6, from
memory).
"""
MOST_COUNTERS = 60
CAUSES = {
    "ack": "nobody acknowledged it",
    "disturbed": "disturbed by a fault",
    "collision": "two nodes sent one identifier with different content",
    "broken_off": "the sender or the cable went away",
}


def message_lines(vehicle: Vehicle, recording: Recording) -> Iterator[MessageLine]:
    """Every message that was on the bus, highest priority first."""
    found = recording.valid_frames
    message_of = recording.finder(vehicle.messages.values())
    for key in sorted(found):
        records = found[key]
        info = message_of(records[0])
        on_bus = sum(record.end_ns - record.start_ns for record in records)
        bus = vehicle.file.bus.get(records[0].bus, vehicle.buses[0])
        on_bus += round(INTERMISSION_BITS * 1e9 / bus.bit_rate) * len(records)
        waits = _responses(info, records, recording)
        period_ns = None if info is None else info.period_ns
        yield MessageLine(
            name="(not in the DBC)" if info is None else info.name,
            identifier=hex_identifier(*key[:2]),
            sender=", ".join(sorted({record.sender for record in records})),
            frames=len(records),
            period="" if period_ns is None else show_duration(period_ns),
            share=f"{on_bus / recording.end_ns:.1%}" if recording.end_ns else "",
            typical=show_duration(round(median(waits))) if waits else "",
            worst=show_duration(max(waits)) if waits else "",
        )


def _responses(
    info: MessageInfo | None, records: Sequence[BusRecord], recording: Recording
) -> list[int]:
    """From handing a message to the controller to the end of its frame, in ns, for each frame.

    If several handovers of the same content come into question, the last one counts.
    """
    handed: Sequence[Handed] = recording.handed.get(info.name, []) if info is not None else []
    found: list[int] = []
    index = 0
    for record in records:
        last = None
        while index < len(handed) and handed[index].at_ns <= record.start_ns:
            last = handed[index] if handed[index].data == record.frame.data else last
            index += 1
        if last is not None:
            found.append(record.end_ns - last.at_ns)
    return found


def counter_lines(recording: Recording) -> tuple[CounterLine, ...]:
    """The error counters at each change of a controller's state."""
    found = [
        (change.at_ns, node, change)
        for node, changes in recording.controllers.items()
        for change in changes
    ]
    found.sort(key=lambda entry: entry[0])
    return tuple(
        CounterLine(instant(at_ns), node, state_words(change.state), change.tec, change.rec)
        for at_ns, node, change in found[:MOST_COUNTERS]
    )


def failed_attempts(recording: Recording) -> tuple[Fact, ...]:
    """How many attempts to send a frame failed, by cause."""
    causes = Counter[str](record.error for record in recording.frames if record.error)
    return tuple(
        Fact(CAUSES.get(cause, cause), str(number)) for cause, number in sorted(causes.items())
    )


def traffic(vehicle: Vehicle, recording: Recording, of: str) -> Traffic:
    """The bus of a run; ``of`` says in words which run it is."""
    load = picture(bus_lanes(recording), recording.end_ns, (0, recording.end_ns))
    return Traffic(
        of=of,
        load=load,
        busy=busy_words(load),
        messages=tuple(message_lines(vehicle, recording)),
        counters=counter_lines(recording),
        failed=failed_attempts(recording),
    )


def busy_words(picture: Picture) -> str:
    """How busy the bus was, in words."""
    shares = [
        int(text.removesuffix("%"))
        for strip in picture.strips
        for _, text in strip.values
        if text.endswith("%")
    ]
    if not shares:
        return "Nothing was on the bus."
    return (
        f"A frame was on the bus for {sum(shares) / len(shares):.0f} % of the time on average,"
        f" and for {max(shares)} % in the busiest stretch."
    )


BEFORE, AFTER = 8, 4
"""How many frames are shown before and after the instant."""
FAILURES = 3
"""How many failed attempts in a row at the same frame are shown."""


def frames_around(
    vehicle: Vehicle, recording: Recording, at_ns: int, asking: Sequence[str]
) -> tuple[FrameLine, ...]:
    """The last frames that ended before an instant and the first after it. The last message of each
    name in ``asking`` before the instant is included, however long ago it came.
    """
    message_of = recording.finder(vehicle.messages.values())
    ordered = sorted(recording.frames, key=lambda record: record.end_ns)
    past = [record for record in ordered if record.end_ns <= at_ns]
    coming = [record for record in ordered if record.end_ns > at_ns]
    found = [*_asked(past, message_of, asking), *_thinned(past[::-1], BEFORE)[::-1]]
    found += _thinned(coming, AFTER)
    chosen = sorted({id(record): record for record in found}.values(), key=lambda one: one.end_ns)
    return tuple(_line(record, message_of(record), at_ns, asking) for record in chosen)


def _asked(
    past: Sequence[BusRecord],
    message_of: Callable[[BusRecord], MessageInfo | None],
    asking: Sequence[str],
) -> Iterator[BusRecord]:
    good = [record for record in past if record.error is None]
    for message in asking:
        alike = (
            record
            for record in reversed(good)
            if (info := message_of(record)) is not None and info.name == message
        )
        last = next(alike, None)
        if last is not None:
            yield last


def _thinned(records: Sequence[BusRecord], most: int) -> list[BusRecord]:
    """The first ``most`` records, with only some of a row of failed attempts at one frame."""
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
    record: BusRecord, info: MessageInfo | None, at_ns: int, asking: Sequence[str]
) -> FrameLine:
    frame = record.frame
    name = "" if info is None else info.name
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


MARGIN_NS = 400_000_000
"""How much time a picture shows before and after its focus."""
MOST_EVENTS = 400


class Place(NamedTuple):
    """What to look at in a run: a rule of a subject, and the instant, if it has one."""

    subject: str
    rule: str
    at_ns: int | None = None


def look(result: RunResult, places: Sequence[Place]) -> Scene:
    """The details of a run around the places or, if there are none, around its first fault, with
    all loads that changed.
    """
    vehicle, recording = result.scenario.vehicle, result.recording
    subjects = [place.subject for place in places]
    broken = {verdict.subject for verdict in result.broken}
    drawn = lanes(Case(vehicle, recording), subjects or moved_loads(recording), broken)
    instants = sorted({place.at_ns for place in places if place.at_ns is not None})
    first_ns = instants[0] if instants else _first_fault(result)
    flags = [Flag(at_ns, _flag(places, at_ns)) for at_ns in instants]
    told = events(result)
    return Scene(
        picture=picture(drawn, recording.end_ns, _focus(result, instants), flags),
        frames=frames_around(vehicle, recording, first_ns, _asking(result, subjects)),
        around=f"{instant(first_ns)}: {_flag(places, first_ns) or 'the first fault'}",
        events=tuple((instant(event.at_ns), event.text) for event in told[:MOST_EVENTS]),
        held=tuple(_held(verdict) for verdict in result.broken),
    )


def _held(verdict: Verdict) -> tuple[str, str, int | None]:
    return verdict.subject, verdict.rule, verdict.at_ns


def _first_fault(result: RunResult) -> int:
    faults = result.recording.faults
    return min((fault.applied_ns for fault in faults), default=result.recording.end_ns)


def _flag(places: Sequence[Place], at_ns: int) -> str:
    found = [f"{place.subject}, rule {place.rule}" for place in places if place.at_ns == at_ns]
    more = f" and {len(found) - 3} more" if len(found) > 3 else ""
    return "; ".join(found[:3]) + more


def _focus(result: RunResult, instants: Sequence[int]) -> tuple[int, int]:
    """The span to show first: from the fault before the first break to the last break or, if
    nothing broke, around the first fault.
    """
    if not instants:
        first_ns = _first_fault(result)
        return first_ns - MARGIN_NS, first_ns + 3 * MARGIN_NS
    before = [f.applied_ns for f in result.recording.faults if f.applied_ns <= instants[0]]
    start_ns = max(before, default=instants[0])
    margin_ns = max(MARGIN_NS, (instants[-1] - start_ns) // 4)
    return start_ns - margin_ns, instants[-1] + margin_ns


def _asking(result: RunResult, subjects: Sequence[str]) -> tuple[str, ...]:
    """The messages that ask for the loads among the subjects."""
    loads = result.scenario.vehicle.loads
    found = [message for name in subjects if name in loads for message in loads[name].messages]
    found += [name.partition(".")[0] for name in subjects if "." in name and name not in loads]
    return tuple(dict.fromkeys(found))
