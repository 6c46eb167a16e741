"""Whether a run put a rule to the test, and how much time was left.

A rule counts as tested only if a load that had stayed as it was would have been judged broken.
"""

from __future__ import annotations

from collections.abc import Sequence

from bench.judge.flashing import whole_cycles
from bench.judge.masks import FLASH, OFF, ON, admits
from bench.judge.paint import Probe, Segment, Span, levels, overlapping
from bench.recording import Series


def exercised(
    probe: Probe,
    segments: Sequence[Segment],
    actual: Series[float],
    cycle_ns: int = 0,
    besides: Sequence[Span] = (),
) -> bool:
    """Whether a load that had stayed idle would have been wrong within the probe's reach.

    A load that was in none of the idle states when the rule was triggered, nor until the
    deadline, had nothing to leave. ``besides`` are states that even a load without the reaction
    may show. Where only flashing is allowed, a steady load is found out after two of the longest
    cycles (``cycle_ns``), and one that goes on flashing as soon as it would be seen.
    """
    if not probe.assumed and not _was(probe, actual):
        return False
    for from_ns, to_ns, mask, idle in _stretches(probe, segments, besides):
        if mask == FLASH:
            if not idle & FLASH and to_ns - from_ns > 2 * cycle_ns:
                return True
        elif not mask & (idle | FLASH) and (
            not idle & FLASH or _flash_shows(mask, (from_ns, to_ns), probe, actual, cycle_ns)
        ):
            return True
    return False


def _flash_shows(
    mask: int, span: tuple[int, int], probe: Probe, actual: Series[float], cycle_ns: int
) -> bool:
    """Whether a load that goes on flashing as it did before the trigger would be seen in a span
    that allows only one level; one that was not seen flashing, within the longest cycle.
    """
    from_ns, to_ns = span
    if mask not in {OFF, ON}:
        return False
    seen = whole_cycles(actual, probe.since_ns - 3 * cycle_ns, probe.since_ns)
    if not seen:
        return to_ns - from_ns >= cycle_ns
    last = seen[-1]
    period_ns = last.to_ns - last.from_ns
    phase_ns = (from_ns - last.from_ns) % period_ns
    edge_ns = last.lit_ns if phase_ns < last.lit_ns else period_ns
    lit_now = phase_ns < last.lit_ns
    return lit_now == (mask == OFF) or from_ns + edge_ns - phase_ns < to_ns


def _was(probe: Probe, actual: Series[float]) -> bool:
    """Whether an output was in the idle states at the trigger or between it and the deadline."""
    return any(
        admits(probe.idle, level)
        for _, _, level in levels(actual, probe.from_ns, probe.since_ns - 1)
    )


def _stretches(
    probe: Probe, segments: Sequence[Segment], besides: Sequence[Span]
) -> list[tuple[int, int, int, int]]:
    """The probe's reach as (from, to, allowed, idle states), neighbours with one meaning joined."""
    found: list[tuple[int, int, int, int]] = []
    for segment in overlapping(segments, probe.from_ns, probe.to_ns):
        start, end = max(segment.from_ns, probe.from_ns), min(segment.to_ns, probe.to_ns)
        pieces = [span for span in besides if span.from_ns < end and span.to_ns > start]
        for from_ns, to_ns, states in pieces or [Span(start, end, 0)]:
            piece = (max(from_ns, start), min(to_ns, end), segment.mask, probe.idle | states)
            if found and found[-1][1:] == (piece[0], *piece[2:]):
                piece = (found.pop()[0], *piece[1:])
            found.append(piece)
    return found


def margin(probe: Probe, segments: Sequence[Segment], actual: Series[float]) -> int | None:
    """Time left between the instant at which the state became right and the deadline, in ns.

    The deadline is the instant from which the idle states are no longer allowed. None when the
    load was right already when the rule was triggered: it had nothing to do.
    """
    reach = overlapping(segments, probe.since_ns, probe.to_ns)
    after = next((part for part in reach if not part.mask & (probe.idle | FLASH)), None)
    if after is None:
        return None
    deadline_ns = max(after.from_ns, probe.since_ns)
    right_since: int | None = None
    for from_ns, _, level in levels(actual, deadline_ns + 1, probe.since_ns):
        if not admits(after.mask, level):
            right_since = None
        elif right_since is None:
            right_since = from_ns
    if right_since is None or right_since <= probe.since_ns:
        return None
    return deadline_ns - right_since
