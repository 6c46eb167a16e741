"""What a log holds, on the screen and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from rich.console import Console
from rich.table import Table

from linkloss.model.units import show_duration
from linkloss.replay.describe import Description
from linkloss.replay.seen import Seen
from linkloss.report.machine import lines_of
from linkloss.report.screen import bullet, heading, paragraph
from linkloss.report.timeline import instant
from linkloss.report.words import count

DESCRIBE_VERSION = 1
LISTED = 20
"""So many names stand in one sentence."""
PARTS = 12
"""The load is shown in so many parts of the log."""


def show_description(console: Console, found: Description) -> None:
    """Show a description."""
    paragraph(console, str(found.path), style="bold")
    where = f" on channel {found.channel}" if found.channel else ""
    paragraph(
        console,
        f"{count(found.frames, 'frame')} of {count(len(found.seen), 'identifier')}{where} in"
        f" {show_duration(found.lasted_ns)}",
    )
    _load(console, found)
    _identifiers(console, found)
    _signals(console, found)
    _list(console, "Counters and checksums", _protection(found))
    _list(console, "Would have been stale", _stale(found))
    _list(console, "Not as the DBC says", _strangers(found))
    _list(console, "In the log", found.notes)


def name_of(seen: Seen) -> str:
    """``0A0 LampRequest``: identifier in hexadecimal, and the name that the DBC gives it."""
    number = f"{seen.identifier:08X}" if seen.extended else f"{seen.identifier:03X}"
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
        if most > rate:
            bullet(console, "more than the bus carries: the bit rate, or the log's times, are not"
                   " what they seem", style="yellow")  # fmt: skip
        unit, scale = "%", rate / 100
    parts = found.load.profile(found.lasted_ns, PARTS)
    each = show_duration(found.lasted_ns // max(1, len(parts)))
    listed = " ".join(f"{bits / scale:.3g}" for bits in parts)
    bullet(console, f"over time, {unit} in parts of {each}: {listed}")


def _identifiers(console: Console, found: Description) -> None:
    heading(console, "Identifiers")
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("identifier", overflow="fold")
    for title in ("frames", "bytes", "period", "jitter", "longest gap", "at"):
        table.add_column(title, justify="right", no_wrap=True)
    for seen in found.seen:
        spans = seen.intervals
        table.add_row(
            name_of(seen),
            f"{seen.count:,}",
            _lengths(seen),
            _duration(spans.median_ns),
            _duration(spans.jitter_ns),
            _duration(spans.longest_ns if spans.count else None),
            f"{spans.longest_at_ns / 1e9:.3f} s" if spans.count else "-",
        )
    console.print(table)


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
        units = {signal.name: signal.unit or "" for signal in seen.message.signals}
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
            if guard.first_jump_ns is not None:
                text += f" (first at {instant(guard.first_jump_ns)})"
            yield f"{text}, stood still {_times(guard.repeats)}, of {guard.steps:,} steps"
        if guard.failed and guard.first_failed_ns is not None:
            text = f"{name_of(seen)}: the checksum was wrong {_times(guard.failed)}"
            yield f"{text} (first at {instant(guard.first_failed_ns)})"


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number:,} times"


def _stale(found: Description) -> Iterator[str]:
    for seen in found.seen:
        for limit_ns, users in seen.limits.items():
            alarm = seen.intervals.alarms[limit_ns]
            if alarm.times:
                yield (
                    f"{name_of(seen)}: silent for more than {show_duration(limit_ns)}"
                    f" {_times(alarm.times)}, at most {show_duration(alarm.longest_ns)} from"
                    f" {instant(alarm.longest_at_ns)} ({', '.join(users)})"
                )
    if (
        found.known
        and any(seen.limits for seen in found.seen)
        and not any(alarm.times for seen in found.seen for alarm in seen.intervals.alarms.values())
    ):
        yield "no message was silent for as long as its stale time"


def _strangers(found: Description) -> Iterator[str]:
    unknown = found.unknown
    if unknown:
        frames = sum(seen.count for seen in unknown)
        listed = _few([name_of(seen) for seen in unknown])
        share = 100 * frames / found.frames
        text = f"{count(len(unknown), 'identifier')} unknown ({frames:,} frames, {share:.3g} %)"
        yield f"{text}: {listed}"
    for seen in found.seen:
        if seen.wrong_length and seen.message is not None:
            text = f"{count(seen.wrong_length, 'frame')} of another length than"
            yield f"{name_of(seen)}: {text} {seen.message.length} bytes"
        if seen.undecoded:
            yield f"{name_of(seen)}: {count(seen.undecoded, 'content')} could not be decoded"
    if found.absent:
        yield f"never seen: {_few(found.absent)}"


def _few(names: list[str]) -> str:
    """The names, or the first of them and how many more there are."""
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
            "lasted_ns": found.lasted_ns,
            "bit_rate": found.bit_rate,
            "load": {
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
