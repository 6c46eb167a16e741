"""Allowed states over time, put together from overlapping spans.

A *paint* says that some states are allowed from one instant to another; what is allowed at an
instant is the union of all paints there. A *probe* says when a rule was put to the test: within
its span, a load that had stayed in the probe's idle states would have been wrong somewhere.

    paints   ====ON====                 the last good message asked for "on"
                    ====ON|OFF====      the link may be stale: both
                              ===OFF=== fail-safe
    allowed  ON      ON|OFF    OFF
    probe                     [......)  idle = ON: the rule "stale" was exercised
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from bench.judge.masks import FLASH, OFF, admits, level_bit
from bench.recording import Series


class Paint(NamedTuple):
    """States that are allowed in [from_ns, to_ns), and the rule that says so."""

    from_ns: int
    to_ns: int
    mask: int
    rule: str


class Span(NamedTuple):
    """States that a load may show in [from_ns, to_ns) for another reason than the one tested."""

    from_ns: int
    to_ns: int
    states: int


class Probe(NamedTuple):
    """A rule's trigger: from its deadline to the end of its reach, and the states that a load
    without the reaction would have shown. ``since_ns`` is the trigger itself. ``assumed``: the
    load need not have been seen in those states; a load let down by its program would be.
    """

    rule: str
    since_ns: int
    from_ns: int
    to_ns: int
    idle: int
    assumed: bool = False


class Segment(NamedTuple):
    """What is allowed in [from_ns, to_ns), and the rule that governs there."""

    from_ns: int
    to_ns: int
    mask: int
    rule: str


class Breach(NamedTuple):
    """A stretch in which a load was in no allowed state."""

    from_ns: int
    to_ns: int
    mask: int
    rule: str


_WEIGHT = {
    "fresh": 0,
    "latched": 0,
    "local": 0,
    "rejoin": 1,
    "then": 2,
    "stale": 3,
    "reset": 4,
    "stopped": 5,
}


def blend(
    paints: Sequence[Paint],
    end_ns: int,
    adjust: Callable[[int, int], int] | None = None,
    edges: Iterable[int] = (),
    start_ns: int = 0,
) -> list[Segment]:
    """The segments of [start_ns, end_ns) that the paints make, neighbours with one meaning joined.

    ``adjust(instant, mask)`` may change a segment's states; it is constant between ``edges``.
    Where no paint lies, the mask is 0 before adjusting. The governing rule of a segment is the
    one that is furthest from normal service.
    """
    there = [paint for paint in paints if paint.to_ns > start_ns]
    instants = {start_ns, end_ns, *(edge for edge in edges if start_ns < edge < end_ns)}
    for paint in there:
        instants.update((max(start_ns, paint.from_ns), min(end_ns, paint.to_ns)))
    times = sorted(instants)
    starts = sorted(there, key=lambda paint: paint.from_ns)
    active: list[Paint] = []
    segments: list[Segment] = []
    index = 0
    for from_ns, to_ns in pairwise(times):
        while index < len(starts) and starts[index].from_ns <= from_ns:
            active.append(starts[index])
            index += 1
        active = [paint for paint in active if paint.to_ns > from_ns]
        mask, rule = 0, ""
        for paint in active:
            mask |= paint.mask
            if _WEIGHT.get(paint.rule, 0) >= _WEIGHT.get(rule, -1):
                rule = paint.rule
        if adjust is not None:
            mask = adjust(from_ns, mask)
        last = segments[-1] if segments else None
        if last is not None and last.mask == mask and last.rule == rule:
            segments[-1] = last._replace(to_ns=to_ns)
        else:
            segments.append(Segment(from_ns, to_ns, mask, rule))
    return segments


def breaches(segments: Sequence[Segment], actual: Series[float]) -> list[Breach]:
    """Where the actual level was not allowed; stretches that touch are one."""
    found: list[Breach] = []
    if not segments:
        return found
    for from_ns, to_ns, level in levels(actual, segments[-1].to_ns, segments[0].from_ns):
        for segment in overlapping(segments, from_ns, to_ns):
            if admits(segment.mask, level):
                continue
            start, end = max(from_ns, segment.from_ns), min(to_ns, segment.to_ns)
            if found and found[-1].to_ns == start:
                found[-1] = found[-1]._replace(to_ns=end)
            else:
                found.append(Breach(start, end, segment.mask, segment.rule))
    return found


def levels(
    actual: Series[float], end_ns: int, from_ns: int | None = None
) -> list[tuple[int, int, float]]:
    """An output as stretches (from, to, level) up to the end; none before its first level. With
    ``from_ns`` only those that end behind that instant.
    """
    times, values = actual.times, actual.values
    high = bisect_left(times, end_ns)
    low = 0 if from_ns is None else max(0, bisect_right(times, from_ns) - 1)
    if low >= high:
        return []
    return list(
        zip(times[low:high], [*times[low + 1 : high], end_ns], values[low:high], strict=True)
    )


def overlapping(segments: Sequence[Segment], from_ns: int, to_ns: int) -> list[Segment]:
    """The segments that share an instant with [from_ns, to_ns)."""
    low, high = 0, len(segments)
    while low < high:  # the first segment that ends behind from_ns
        middle = (low + high) // 2
        if segments[middle].to_ns <= from_ns:
            low = middle + 1
        else:
            high = middle
    found = []
    for segment in segments[low:]:
        if segment.from_ns >= to_ns:
            break
        found.append(segment)
    return found


def shown(actual: Series[float], at_ns: int, cycle_ns: int = 0) -> int:
    """The state that an output shows at an instant; off before it was ever driven.

    With ``cycle_ns``, the longest cycle of a load that can flash: it flashes if it was lit and
    dark within the last cycle and a half.
    """
    if not actual.times or actual.times[0] > at_ns:
        return OFF
    if cycle_ns:
        since = bisect_right(actual.times, at_ns - 3 * cycle_ns // 2)
        if bisect_right(actual.times, at_ns) - since >= 2:
            return FLASH
    return level_bit(actual.at(at_ns))
