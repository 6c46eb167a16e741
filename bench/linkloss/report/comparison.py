"""Reports on logs: what differs between two, and what a replay did.

A replay reports what was played, what was not, and how much later the frames came.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict
from typing import Any

from rich.console import Console

from linkloss.bus.message import hex_identifier
from linkloss.campaign.result import RunResult
from linkloss.document import lines_of
from linkloss.logs.bare import BareReplay
from linkloss.logs.compare import Comparison, MessageDifference, OutputDifference
from linkloss.logs.drive import Drive
from linkloss.recording import REST, Shift
from linkloss.report.screen import bullet, caution, heading, paragraph
from linkloss.report.timeline import instant, show_events, show_verdicts
from linkloss.report.words import count
from linkloss.units import plain, show_duration

COMPARE_VERSION = 1


def show_comparison(console: Console, found: Comparison) -> None:
    """Show what differs, or one line if nothing does."""
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
        own = (
            f": in A node {message.simulated} ran its program, and the log has no such frame"
            if message.simulated
            else ""
        )
        yield f"{count(message.missing, 'frame')} missing {where}{own}"
    if message.first_extra_ns is not None:
        where = f"(first at {instant(message.first_extra_ns)})"
        own = (
            f": node {message.simulated} ran its program, and the log has no such frame"
            if message.simulated
            else ""
        )
        yield f"{count(message.extra, 'frame')} too many {where}{own}"
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
    waited = sum(message.waited for message in found.messages)
    if not found.differs:
        told = f"No difference: {count(paired, 'frame')} at the same times {within}"
        if waited:
            text = "which waited while others of the log had the bus"
            told += f", but for {waited:,} that the log stamps closer together than a bus can be,"
            told += f" {text}"
        return f"{told}."
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
            "messages": [
                _compared_fields(message) for message in found.messages if message.differs
            ],
            "loads": [asdict(output) for output in found.outputs],
        }
    )


def _compared_fields(message: MessageDifference) -> dict[str, Any]:
    fields = asdict(message)
    fields["identifier"], fields["extended"], fields["remote"] = fields.pop("key")
    return fields


_LISTED = 8
"""The most identifiers that are named."""


def show_replay(
    console: Console, drive: Drive, result: RunResult, *, from_ns: int, quiet: bool, verbose: bool
) -> None:
    """Show a drive that was replayed on a vehicle from an instant of its log on. All instants are
    those of the log. ``verbose`` adds the timeline; ``quiet`` shows only what broke, what was lost,
    and the totals.
    """
    scenario = result.scenario
    paragraph(console, f"{drive.path.name}, replayed", style="bold")
    paragraph(
        console,
        f"{scenario.vehicle.title} ({scenario.vehicle.path}), {show_duration(scenario.lasts_ns)}"
        f" of {show_duration(drive.contents.length_ns)}, seed {scenario.seed}",
    )
    if from_ns:
        begun = (
            f"from {show_duration(from_ns)} of the log on; all instants count from its beginning"
        )
        paragraph(console, begun)
    if not quiet:
        for line in _contents(drive):
            bullet(console, line)
    if result.recording.shift is not None:
        for line in shift_lines(result.recording.shift, from_ns):
            bullet(console, line)
    _notes(console, drive.contents.notes)
    if verbose:
        show_events(console, result, from_ns)
    show_verdicts(console, result, quiet=quiet, verbose=not quiet, notes=verbose, from_ns=from_ns)
    caution(console)


def show_bare(console: Console, path: str, bit_rate: int, found: BareReplay) -> None:
    """Show a log that was replayed on bare buses."""
    paragraph(console, f"{path}, replayed on bare buses", style="bold")
    paragraph(console, f"{show_duration(found.lasted_ns)}, {bit_rate / 1000:g} kbit/s")
    for channel, counts in found.heard.items():
        name = f"channel {channel}" if channel else "the only channel"
        listed = " and ".join(f"{number:,}" for number in counts)
        bullet(console, f"{name}: its listeners received {listed} frames")
    for line in shift_lines(found.shift):
        bullet(console, line)
    _notes(console, found.notes)


def _contents(drive: Drive) -> Iterable[str]:
    found = drive.contents
    played = {name: number for name, number in found.played.items() if name != REST}
    silent = [name for name in drive.nodes if name not in played]
    if played:
        yield f"played from the log: {_counted(played)}"
    if silent:
        yield f"without a program and without a frame in the log: {', '.join(silent)}"
    if REST in found.played:
        unknown = sorted(found.unknown)
        listed = ", ".join(hex_identifier(*key) for key in unknown[:_LISTED])
        more = f" and {len(unknown) - _LISTED} more" if len(unknown) > _LISTED else ""
        where = f"; unknown to the DBC: {listed}{more}" if unknown else ""
        yield f"played for no node of the vehicle: {count(found.played[REST], 'frame')}{where}"
    if found.left_out:
        yield f"left out, because their senders are simulated: {_counted(found.left_out)}"
    shown = [name for name in drive.vehicle.inputs if name not in found.unseen]
    if shown:
        yield f"inputs taken from the log: {', '.join(shown)}"
    if found.unseen:
        yield f"inputs that the log does not show, at rest throughout: {', '.join(found.unseen)}"


def _counted(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{name} {count(number, 'frame')}" for name, number in sorted(counts.items()))


def shift_lines(shift: Shift, from_ns: int = 0) -> list[str]:
    """Lines on how much later than in the log the frames came, and how many were lost. ``from_ns``
    is the instant of the log at which the run began.
    """
    lines = [f"{count(shift.sent, 'frame')} of the log on the bus"]
    if shift.moved:
        latest = instant(shift.most_at_ns + from_ns)
        share = 100 * shift.moved / shift.sent
        mean = show_duration(shift.sum_ns // shift.moved)
        lines[0] += (
            f"; arbitration made {shift.moved:,} of them later ({share:.3g} %), by {mean} on"
            f" average, {show_duration(_quantile(shift, 0.99))} or less for 99 % of these, at most"
            f" {show_duration(shift.most_ns)} ({shift.most_frame} at {latest})"
        )
    elif shift.sent:
        lines[0] += ", none of them later than logged"
    lines += [
        f"{count(number, 'frame')} of the log not sent: {what}"
        for what, number in shift.fallen.items()
    ]
    if shift.stray:
        lines.append(f"{count(shift.stray, 'frame')} of the log lost, without a fault")
    return lines


def _quantile(shift: Shift, share: float) -> int:
    """An upper bound in ns of a quantile of the shifts, from their counts by powers of two."""
    wanted, seen = share * shift.moved, 0
    for power, number in enumerate(shift.bins):
        seen += number
        if seen >= wanted:
            return min(1 << power, shift.most_ns)
    return shift.most_ns


def _notes(console: Console, notes: list[str]) -> None:
    if notes:
        heading(console, "In the log")
        for note in notes:
            bullet(console, note, style="yellow")
