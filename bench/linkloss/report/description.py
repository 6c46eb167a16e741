"""What a log holds, on the screen, as JSON and as a page."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from rich.console import Console

from linkloss.bus.message import hex_identifier
from linkloss.document import lines_of
from linkloss.logs.describe import Description, Seen
from linkloss.report.html import Page, Part, plain_page
from linkloss.report.screen import bullet, heading, paragraph, plain_table
from linkloss.report.timeline import instant
from linkloss.report.words import count
from linkloss.units import show_duration, shown_unit

DESCRIBE_VERSION = 1
TOO_BUSY = "more than the bus carries: the bit rate, or the log's times, are not what they seem"
LISTED = 20
"""The most names in one sentence."""
PARTS = 12
"""Number of parts of the log for which the load is shown."""


def show_description(console: Console, found: Description) -> None:
    """Show a description: the verdict first."""
    paragraph(console, str(found.path), style="bold")
    paragraph(console, description_verdict(found), style="bold")
    paragraph(console, _size(found))
    for title, texts in _before_tables(found):
        _list(console, title, texts)
    heading(console, _IDENTIFIERS)
    console.print(plain_table(COLUMNS, map(_cells, found.seen), header_style="bold"))
    _list(console, _SIGNALS, [f"{name}: {text}" for name, text in _signals(found)])
    for title, texts in _after_tables(found):
        _list(console, title, texts)


_IDENTIFIERS = "Identifiers"
COLUMNS = ("identifier", "frames", "bytes", "period", "jitter", "longest gap", "at")
_SIGNALS = "Signals, from the smallest to the largest value"


def description_page(found: Description) -> Page:
    """The page of a description."""
    sure = found.known and found.timed and not _warnings(found)
    parts = [
        *(Part(title, paragraphs=tuple(texts)) for title, texts in _before_tables(found)),
        Part(_IDENTIFIERS, columns=COLUMNS, rows=tuple(tuple(_cells(seen)) for seen in found.seen)),
        Part(_SIGNALS, columns=("message", "signals"), rows=tuple(_signals(found))),
        *(Part(title, paragraphs=tuple(texts)) for title, texts in _after_tables(found)),
    ]
    return plain_page(
        f"{found.path.name}: what is in the log",
        description_verdict(found),
        state="broken" if _mistakes(found) else "kept" if sure else "untested",
        parts=[part for part in parts if part.paragraphs or part.rows],
        facts={"Log": str(found.path), "Frames": _size(found)},
    )


def _size(found: Description) -> str:
    where = f" on channel {found.channel}" if found.channel else ""
    lasted = f" in {show_duration(found.lasted_ns)}" if found.timed else ""
    identifiers = count(len(found.seen), "identifier")
    return f"{count(found.frames, 'frame')} of {identifiers}{where}{lasted}"


def _before_tables(found: Description) -> Iterator[tuple[str, list[str]]]:
    if found.timed:
        yield "Bus load", list(_load(found))


def _after_tables(found: Description) -> Iterator[tuple[str, list[str]]]:
    yield "Counters and checksums", list(_protection(found))
    yield "Would have been stale", _stale(found) or list(_never_stale(found))
    yield "Not as the DBC says", [*_unfit(found), *_strangers(found)]
    yield "In the log", found.notes


def description_verdict(found: Description) -> str:
    """What a reader must know first: how much is wrong with the log, and the first of it. What
    could not be looked at is not called right.
    """
    mistakes, warnings = _mistakes(found), _warnings(found)
    numbers = ((mistakes, "mistake"), (warnings, "warning"), (found.notes, "note"))
    parts = [count(len(texts), name) for texts, name in numbers if texts]
    first = next((text for texts, _ in numbers for text in texts), "")
    told = f"{', '.join(parts)}. First: {first.rstrip('.')}." if parts else "No mistake found."
    if not found.known:
        told += " Without messages (--dbc, --vehicle) no content and no silence was judged."
    elif not found.timed:
        told += " Without times no silence was judged."
    return told


def _mistakes(found: Description) -> list[str]:
    return [*_too_busy(found), *_protection(found), *_unfit(found)]


def _warnings(found: Description) -> list[str]:
    return [*_stale(found), *_strangers(found)]


def name_of(seen: Seen) -> str:
    """``0A0 LampRequest``: identifier in hexadecimal, and the name that the DBC gives it."""
    number = hex_identifier(seen.identifier, seen.extended)
    return number if seen.message is None else f"{number} {seen.message.name}"


def _load(found: Description) -> Iterator[str]:
    busiest_ns, most = found.load.busiest
    mean = found.load.mean(found.lasted_ns)
    rate = found.bit_rate
    if rate is None:
        guess = found.load.rate_guess()
        fits = f"it takes {guess / 1000:g} kbit/s or more" if guess else "no usual rate carries it"
        text = f"mean {mean / 1000:.4g} kbit/s, busiest second {most / 1000:.4g} kbit/s at"
        yield f"{text} {instant(busiest_ns)}; {fits} (--bit-rate gives percent)"
        unit, scale = "kbit/s", 1000.0
    else:
        text = f"mean {100 * mean / rate:.3g} %, busiest second {100 * most / rate:.3g} % at"
        yield f"{text} {instant(busiest_ns)}, of {rate / 1000:g} kbit/s"
        yield from _too_busy(found)
        unit, scale = "%", rate / 100
    parts = found.load.profile(found.lasted_ns, PARTS)
    each = show_duration(found.lasted_ns // max(1, len(parts)))
    listed = " ".join(f"{bits / scale:.3g}" for bits in parts)
    yield f"over time, {unit} in parts of {each}: {listed}"


def _too_busy(found: Description) -> Iterator[str]:
    _, most = found.load.busiest
    if found.bit_rate is not None and most > found.bit_rate:
        yield TOO_BUSY


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


def _signals(found: Description) -> Iterator[tuple[str, str]]:
    """Each message with the ranges of its signals."""
    for seen in found.seen:
        ranges = seen.all_ranges()
        if seen.message is None or not ranges:
            continue
        units = {signal.name: shown_unit(signal.unit or "") for signal in seen.message.signals}
        named = {signal.name: signal.named for signal in seen.signals}
        shown = [
            _range(name, limits, units[name], named.get(name, []))
            for name, limits in ranges.items()
        ]
        yield seen.message.name, ", ".join(shown)


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


def _list(console: Console, title: str, texts: list[str]) -> None:
    if texts:
        heading(console, title)
        for text in texts:
            bullet(console, text, style="yellow" if text == TOO_BUSY else "")


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
