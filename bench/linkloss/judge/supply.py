"""What the supply allows and demands: a load without volts cannot work, and it must come back.

volts     14 14 14 5 5 5 14 14 14 14
lean               [....)          out of the node's operating range, or the node is off
news               open.....|      nobody must act on it until one latency after
back                    [....|     a lamp that was lit is lit again, at the latest
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

from linkloss.judge.lives import Biography
from linkloss.model.loading import Vehicle
from linkloss.recording import Recording, Series


def out_of_range(
    vehicle: Vehicle, recording: Recording, node: str, story: Biography, end_ns: int
) -> list[tuple[int, int]]:
    """The spans, in ns, in which the voltage at a node was outside its declared operating range,
    or in which the node was off; spans that touch are one. None on an ideal supply.
    """
    found = [
        (life.reset_ns, min(life.back_ns, end_ns))
        for life in story.lives
        if life.cause == "supply" and life.reset_ns < life.back_ns
    ]
    supply, volts = vehicle.nodes[node].supply, recording.volts.get(node)
    if supply is not None and volts is not None:
        low, high = supply.range
        times = [*volts.times, end_ns]
        for (from_ns, to_ns), value in zip(pairwise(times), volts.values, strict=True):
            if not low <= value <= high and from_ns < end_ns:
                found.append((from_ns, min(to_ns, end_ns)))
    return merged(found)


def merged(spans: Sequence[tuple[int, int]], gap_ns: int = 0) -> list[tuple[int, int]]:
    """Spans in order, those not further apart than ``gap_ns`` as one."""
    found: list[tuple[int, int]] = []
    for from_ns, to_ns in sorted(spans):
        if found and from_ns <= found[-1][1] + gap_ns:
            found[-1] = (found[-1][0], max(found[-1][1], to_ns))
        elif from_ns < to_ns:
            found.append((from_ns, to_ns))
    return found


def without(
    from_ns: int, to_ns: int, others: Sequence[tuple[int, int]]
) -> Iterator[tuple[int, int]]:
    """A span without what lies in others."""
    for start_ns, end_ns in sorted(others):
        if end_ns <= from_ns or start_ns >= to_ns:
            continue
        if start_ns > from_ns:
            yield from_ns, start_ns
        from_ns = end_ns
    if from_ns < to_ns:
        yield from_ns, to_ns


def within(
    from_ns: int, to_ns: int, others: Iterable[tuple[int, int]]
) -> Iterator[tuple[int, int]]:
    """The parts of a span that lie in others, one for each."""
    for start_ns, end_ns in others:
        if max(from_ns, start_ns) < min(to_ns, end_ns):
            yield max(from_ns, start_ns), min(to_ns, end_ns)


def spliced(
    got: Series[float], driven: Series[float], spans: Sequence[tuple[int, int]]
) -> Series[float]:
    """One series, and within the spans (from, to) in ns another one."""
    result: Series[float] = Series()
    edges = {edge for span in spans for edge in span}
    for at_ns in sorted({*got.times, *driven.times, *edges}):
        inside = any(from_ns <= at_ns < to_ns for from_ns, to_ns in spans)
        result.set(at_ns, (driven if inside else got).at(at_ns))
    return result
