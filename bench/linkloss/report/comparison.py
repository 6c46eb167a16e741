"""What differs between two runs, on the screen and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from rich.console import Console

from linkloss.model.units import plain, show_duration
from linkloss.replay.compare import Comparison, MessageDifference, OutputDifference
from linkloss.report.machine import lines_of
from linkloss.report.screen import bullet, heading, paragraph
from linkloss.report.timeline import instant
from linkloss.report.words import count

COMPARE_VERSION = 1


def show_comparison(console: Console, found: Comparison) -> None:
    """Show what differs; a single line where nothing does."""
    for letter, side in (("A", found.a), ("B", found.b)):
        frames = sum(len(rows) for rows in side.rows.values())
        what = "recording" if side.recorded else "log"
        text = f"{letter}: {side.path}, {what}, {count(frames, 'frame')}"
        paragraph(console, f"{text} in {show_duration(side.end_ns)}")
    if found.offset_ns:
        size = show_duration(abs(found.offset_ns))
        word = "later" if found.offset_ns > 0 else "earlier"
        paragraph(console, f"B was taken {size} {word}, so that their messages begin together")
    _messages(console, found)
    if found.outputs:
        heading(console, "Loads")
        for output in found.outputs:
            bullet(console, _output(output))
    notes = [f"{side.path.name}: {note}" for side in (found.a, found.b) for note in side.notes]
    if notes:
        heading(console, "In the logs")
        for note in notes:
            bullet(console, note, style="yellow")
    console.print()
    paragraph(console, _sum(found), style="bold")


def _messages(console: Console, found: Comparison) -> None:
    different = [message for message in found.messages if message.differs]
    if different:
        heading(console, "Messages, B compared with A")
    for message in different:
        bullet(console, f"{message.name}: {'; '.join(_parts(message))}")


def _parts(message: MessageDifference) -> Iterator[str]:
    if message.first_missing_ns is not None:
        where = f"(first at {instant(message.first_missing_ns)})"
        yield f"{count(message.missing, 'frame')} missing {where}"
    if message.first_extra_ns is not None:
        where = f"(first at {instant(message.first_extra_ns)})"
        yield f"{count(message.extra, 'frame')} too many {where}"
    if message.late:
        most = show_duration(abs(message.latest_ns))
        word = "later" if message.latest_ns > 0 else "earlier"
        where = f"at {instant(message.latest_at_ns)}"
        yield f"{count(message.late, 'frame')} off in time, at most {most} {word} {where}"
    if message.first_changed_ns is not None:
        where = f"(first at {instant(message.first_changed_ns)})"
        of = f"of {message.paired:,}"
        yield f"content changed in {count(message.changed, 'frame')} {of} {where}"
    for name, (times, at_ns, before, after) in message.signals.items():
        yield f"{name} {_value(before)} -> {_value(after)} at {instant(at_ns)}, {times:,} in all"


def _value(value: float) -> str:
    return plain(round(value, 6))


def _output(output: OutputDifference) -> str:
    times = "once" if output.times == 1 else f"{output.times:,} times"
    levels = f"{_value(output.in_a)} in A, {_value(output.in_b)} in B"
    total = show_duration(output.total_ns)
    first = instant(output.first_ns)
    return f"{output.load}: differs {times}, {total} in all, first at {first} ({levels})"


def _sum(found: Comparison) -> str:
    paired = sum(message.paired for message in found.messages)
    within = f"within {show_duration(found.tolerance_ns)}"
    if not found.differs:
        return f"No difference: {count(paired, 'frame')} at the same times {within}."
    messages = sum(message.differs for message in found.messages)
    parts = [count(messages, "message")] if messages else []
    parts += [count(len(found.outputs), "load")] if found.outputs else []
    return f"{' and '.join(parts)} differ; {count(paired, 'frame')} were compared {within}."


def comparison_json(found: Comparison) -> Iterator[str]:
    """A comparison as JSON, in pieces; all times in ns of A's clock."""
    return lines_of(
        {
            "format": "linkloss comparison",
            "version": COMPARE_VERSION,
            "a": str(found.a.path),
            "b": str(found.b.path),
            "differs": found.differs,
            "tolerance_ns": found.tolerance_ns,
            "offset_ns": found.offset_ns,
            "messages": [_fields(message) for message in found.messages if message.differs],
            "loads": [asdict(output) for output in found.outputs],
        }
    )


def _fields(message: MessageDifference) -> dict[str, Any]:
    fields = asdict(message)
    fields["identifier"], fields["extended"], fields["remote"] = fields.pop("key")
    return fields
