"""The bus in one run: how busy it was, how long messages took, what the error counters did."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from statistics import median

from linkloss.bus import BusRecord
from linkloss.model.loading import Vehicle
from linkloss.model.messages import MessageInfo
from linkloss.model.units import show_duration
from linkloss.recording import Handed, Recording
from linkloss.report.events import state_words
from linkloss.report.html.lanes import bus_lanes
from linkloss.report.html.picture import picture
from linkloss.report.html.sheet import CounterLine, Fact, MessageLine, Picture, Traffic
from linkloss.report.timeline import instant

INTERMISSION_BITS = 3
"""Between two frames nobody may send (ISO 11898-1:2015 section 10.4.6, from memory)."""
MOST_COUNTERS = 60
CAUSES = {
    "ack": "nobody acknowledged it",
    "disturbed": "disturbed by a fault",
    "collision": "two nodes sent one identifier with different content",
    "broken_off": "the sender or the cable went away",
}


def message_lines(vehicle: Vehicle, recording: Recording) -> Iterator[MessageLine]:
    """Every message that was on the bus, highest priority first."""
    bit_ns = 1e9 / vehicle.bus.bit_rate
    found = recording.valid_frames
    known = {(info.identifier, info.extended): info for info in vehicle.messages.values()}
    for key in sorted(found, key=lambda key: (key[0], key[1])):
        records, info = found[key], known.get(key)
        on_bus = sum(record.end_ns - record.start_ns for record in records)
        on_bus += round(INTERMISSION_BITS * bit_ns) * len(records)
        waits = _responses(info, records, recording)
        period_ns = None if info is None else info.period_ns
        yield MessageLine(
            name="(not in the DBC)" if info is None else info.name,
            identifier=hex_identifier(*key),
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

    Of several with the same content that may have been meant, the last one counts.
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


def hex_identifier(identifier: int, extended: bool) -> str:
    """``0A0``, or ``18DAF110`` for an extended one."""
    return f"{identifier:08X}" if extended else f"{identifier:03X}"


def counter_lines(recording: Recording) -> tuple[CounterLine, ...]:
    """What the error counters stood at whenever a controller changed its state."""
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
    """How many attempts at a frame failed, by cause."""
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
