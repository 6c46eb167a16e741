"""Reports on logs: what one holds, what differs between two, what a replay did.

Descriptions and comparisons are shown on the screen and as JSON.

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
from linkloss.logs.describe import Description, Seen
from linkloss.logs.drive import Drive
from linkloss.recording import REST, Shift
from linkloss.report.screen import bullet, caution, heading, paragraph, plain_table
from linkloss.report.timeline import instant, show_events, show_verdicts
from linkloss.report.words import count
from linkloss.units import plain, show_duration, shown_unit

DESCRIBE_VERSION = 1
LISTED = 20
"""The most names in one sentence."""
PARTS = 12
"""Number of parts of the log for which the load is shown."""


def show_description(console: Console, found: Description) -> None:
    """Show a description."""
    paragraph(console, str(found.path), style="bold")
    where = f" on channel {found.channel}" if found.channel else ""
    lasted = f" in {show_duration(found.lasted_ns)}" if found.timed else ""
    identifiers = count(len(found.seen), "identifier")
    paragraph(console, f"{count(found.frames, 'frame')} of {identifiers}{where}{lasted}")
    paragraph(console, description_verdict(found), style="bold")
    if found.timed:
        _load(console, found)
    _identifiers(console, found)
    _signals(console, found)
    _list(console, "Counters and checksums", _protection(found))
    _list(console, "Would have been stale", _stale(found) or _never_stale(found))
    _list(console, "Not as the DBC says", [*_unfit(found), *_strangers(found)])
    _list(console, "In the log", found.notes)


def description_verdict(found: Description) -> str:
    """What a reader must know first: how much is wrong with the log, and the first of it. What
    could not be looked at is not called right.
    """
    mistakes = [*_too_busy(found), *_protection(found), *_unfit(found)]
    warnings = [*_stale(found), *_strangers(found)]
    numbers = ((mistakes, "mistake"), (warnings, "warning"), (found.notes, "note"))
    parts = [count(len(texts), name) for texts, name in numbers if texts]
    first = next((text for texts, _ in numbers for text in texts), "")
    told = f"{', '.join(parts)}. First: {first.rstrip('.')}." if parts else "No mistake found."
    if not found.known:
        told += " Without messages (--dbc, --vehicle) no content and no silence was judged."
    elif not found.timed:
        told += " Without times no silence was judged."
    return told


def name_of(seen: Seen) -> str:
    """``0A0 LampRequest``: identifier in hexadecimal, and the name that the DBC gives it."""
    number = hex_identifier(seen.identifier, seen.extended)
    return number if seen.message is None else f"{number} {seen.message.name}"


def _load(console: Console, found: Description) -> None:
    busiest_ns, most = found.load.busiest
    mean = found.load.mean(found.lasted_ns)
    rate = found.bit_rate
    heading(console, "Bus load")
    if rate is None:
        guess = found.load.rate_guess()
        fits = f"it takes {guess / 1000:g} kbit/s or more" if guess else "no usual rate carries it"
        text = f"mean {mean / 1000:.4g} kbit/s, busiest second {most / 1000:.4g} kbit/s at"
        bullet(console, f"{text} {instant(busiest_ns)}; {fits} (--bit-rate gives percent)")
        unit, scale = "kbit/s", 1000.0
    else:
        text = f"mean {100 * mean / rate:.3g} %, busiest second {100 * most / rate:.3g} % at"
        bullet(console, f"{text} {instant(busiest_ns)}, of {rate / 1000:g} kbit/s")
        for text in _too_busy(found):
            bullet(console, text, style="yellow")
        unit, scale = "%", rate / 100
    parts = found.load.profile(found.lasted_ns, PARTS)
    each = show_duration(found.lasted_ns // max(1, len(parts)))
    listed = " ".join(f"{bits / scale:.3g}" for bits in parts)
    bullet(console, f"over time, {unit} in parts of {each}: {listed}")


def _too_busy(found: Description) -> Iterator[str]:
    _, most = found.load.busiest
    if found.bit_rate is not None and most > found.bit_rate:
        yield "more than the bus carries: the bit rate, or the log's times, are not what they seem"


def _identifiers(console: Console, found: Description) -> None:
    heading(console, "Identifiers")
    heads = ("identifier", "frames", "bytes", "period", "jitter", "longest gap", "at")
    rows = map(_cells, found.seen)
    console.print(plain_table(heads, rows, header_style="bold"))


def _cells(seen: Seen) -> Iterator[str]:
    spans = seen.intervals
    yield name_of(seen)
    yield f"{seen.count:,}"
    yield _lengths(seen)
    yield _duration(spans.median_ns)
    yield _duration(spans.jitter_ns)
    yield _duration(spans.longest_ns if spans.count else None)
    yield f"{spans.longest_at_ns / 1e9:.3f} s" if spans.count else "-"


def _duration(ns: int | None) -> str:
    return "-" if ns is None else show_duration(ns)


def _lengths(seen: Seen) -> str:
    lengths = sorted(seen.lengths)
    text = str(lengths[0]) if len(lengths) == 1 else f"{lengths[0]}-{lengths[-1]}"
    return f"{text} R" if seen.remote else text


def _signals(console: Console, found: Description) -> None:
    rows = [(seen, seen.all_ranges()) for seen in found.seen]
    if not any(ranges for _, ranges in rows):
        return
    heading(console, "Signals, from the smallest to the largest value")
    for seen, ranges in rows:
        if seen.message is None or not ranges:
            continue
        units = {signal.name: shown_unit(signal.unit or "") for signal in seen.message.signals}
        named = {signal.name: signal.named for signal in seen.signals}
        shown = [
            _range(name, limits, units[name], named.get(name, []))
            for name, limits in ranges.items()
        ]
        bullet(console, f"{seen.message.name}: {', '.join(shown)}")


def _range(name: str, limits: tuple[float, float], unit: str, named: list[str]) -> str:
    low, high = (f"{value:.6g}" for value in limits)
    text = low if low == high else f"{low}..{high}"
    words = f" ({', '.join(named[:4])}{', ...' if len(named) > 4 else ''})" if named else ""
    return f"{name} {text}{' ' + unit if unit else ''}{words}"


def _protection(found: Description) -> Iterator[str]:
    for seen in found.seen:
        guard = seen.protection
        if guard is None:
            continue
        if guard.counts and guard.counter is not None and (guard.jumps or guard.repeats):
            text = f"{name_of(seen)}: counter {guard.counter.name} jumped {_times(guard.jumps)}"
            if guard.first_jump_ns is not None and found.timed:
                text += f" (first at {instant(guard.first_jump_ns)})"
            yield f"{text}, stood still {_times(guard.repeats)}, of {guard.steps:,} steps"
        if guard.failed and guard.first_failed_ns is not None:
            text = f"{name_of(seen)}: the checksum was wrong {_times(guard.failed)}"
            yield f"{text} (first at {instant(guard.first_failed_ns)})" if found.timed else text


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number:,} times"


def _stale(found: Description) -> list[str]:
    """The silences that were too long."""
    return [
        f"{name_of(seen)}: silent for more than {show_duration(limit_ns)} {_times(alarm.times)}, at"
        f" most {show_duration(alarm.longest_ns)} from {instant(alarm.longest_at_ns)}"
        f" ({', '.join(users)})"
        for seen in found.seen
        for limit_ns, users in seen.limits.items()
        for alarm in (seen.intervals.alarms[limit_ns],)
        if alarm.times
    ]


def _never_stale(found: Description) -> Iterator[str]:
    if found.known and any(seen.limits for seen in found.seen):
        yield "no message was silent for as long as its stale time"


def _unfit(found: Description) -> Iterator[str]:
    """Frames that do not fit their messages."""
    for seen in found.seen:
        if seen.wrong_length and seen.message is not None:
            text = f"{count(seen.wrong_length, 'frame')} of another length than"
            yield f"{name_of(seen)}: {text} {seen.message.length} bytes"
        if seen.undecoded:
            yield f"{name_of(seen)}: {count(seen.undecoded, 'content')} could not be decoded"


def _strangers(found: Description) -> Iterator[str]:
    unknown = found.unknown
    if unknown:
        frames = sum(seen.count for seen in unknown)
        listed = _few([name_of(seen) for seen in unknown])
        share = 100 * frames / found.frames
        text = f"{count(len(unknown), 'identifier')} unknown ({frames:,} frames, {share:.3g} %)"
        yield f"{text}: {listed}"
    if found.absent:
        yield f"never seen: {_few(found.absent)}"


def _few(names: list[str]) -> str:
    """The names, or the first of them and the number of the rest."""
    if len(names) <= LISTED:
        return ", ".join(names)
    return f"{', '.join(names[:LISTED])} and {len(names) - LISTED} more"


def _list(console: Console, title: str, found: Iterator[str] | list[str]) -> None:
    texts = list(found)
    if texts:
        heading(console, title)
        for text in texts:
            bullet(console, text)


def description_json(found: Description) -> Iterator[str]:
    """A description as JSON, in pieces; times in ns, load in bits per second."""
    busiest_ns, most = found.load.busiest
    return lines_of(
        {
            "format": "linkloss description",
            "version": DESCRIBE_VERSION,
            "log": str(found.path),
            "channel": found.channel,
            "frames": found.frames,
            "lasted_ns": found.lasted_ns if found.timed else None,
            "bit_rate": found.bit_rate,
            "load": None
            if not found.timed
            else {
                "mean_bits_per_s": round(found.load.mean(found.lasted_ns)),
                "busiest_bits_per_s": round(most),
                "busiest_at_ns": busiest_ns,
                "slice_ns": found.load.slice_ns,
            },
            "load_columns": ["from_ns", "bits"],
            "load_over_time": [
                [place * found.load.slice_ns, bits]
                for place, bits in sorted(found.load.bits.items())
            ],
            "notes": found.notes,
            "absent": found.absent,
            "identifiers": (_fields(seen) for seen in found.seen),
        }
    )


def _fields(seen: Seen) -> dict[str, Any]:
    spans, guard = seen.intervals, seen.protection
    return {
        "identifier": seen.identifier,
        "extended": seen.extended,
        "message": None if seen.message is None else seen.message.name,
        "frames": seen.count,
        "remote": seen.remote,
        "lengths": {str(length): seen.lengths[length] for length in sorted(seen.lengths)},
        "wrong_length": seen.wrong_length,
        "period_ns": spans.median_ns,
        "jitter_ns": spans.jitter_ns,
        "longest_gap_ns": spans.longest_ns if spans.count else None,
        "longest_gap_at_ns": spans.longest_at_ns if spans.count else None,
        "signals": {name: list(limits) for name, limits in seen.all_ranges().items()},
        "counter": None
        if guard is None or guard.counter is None or not guard.counts
        else {"name": guard.counter.name, "jumps": guard.jumps, "repeats": guard.repeats},
        "checksums_failed": None if guard is None or guard.checksum is None else guard.failed,
        "stale": [
            {
                "limit_ns": limit_ns,
                "users": list(users),
                "times": spans.alarms[limit_ns].times,
                "longest_ns": spans.alarms[limit_ns].longest_ns,
                "longest_at_ns": spans.alarms[limit_ns].longest_at_ns,
            }
            for limit_ns, users in seen.limits.items()
        ],
    }


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
