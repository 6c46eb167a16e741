"""Flashing is judged by its rate and on-share over whole cycles, never instant by instant."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from linkloss.judge.states import FLASH, OFF
from linkloss.judge.verdict import Cause, Outcome, Verdict, smallest
from linkloss.judge.walk import Segment
from linkloss.recording import Series
from linkloss.units import show_duration
from linkloss.vehicle.load import FlashRule

AVERAGE_OF = 3
"""How many cycles are averaged: "the average of at least three cycles", SAE J945 as quoted by the
NHTSA interpretation letter 01931.ztv.
"""


class Cycle(NamedTuple):
    """From one lighting-up to the next, and how long the lamp was lit in between; all in ns."""

    from_ns: int
    to_ns: int
    lit_ns: int

    @property
    def per_minute(self) -> float:
        """The rate that the cycle makes."""
        return 60e9 / (self.to_ns - self.from_ns)

    @property
    def on_share(self) -> float:
        """The lit share of the cycle, 0 to 1."""
        return self.lit_ns / (self.to_ns - self.from_ns)


def mean_rate(cycles: Sequence[Cycle]) -> float:
    """Flashes per minute, as the mean of the rates of the single cycles.

    Cycles of 360, 360 and 780 ms make 136.8 per minute; their mean period would make 120. Source:
    NHTSA interpretation letter 01931.ztv.
    """
    return sum(cycle.per_minute for cycle in cycles) / len(cycles)


def whole_cycles(actual: Series[float], from_ns: int, to_ns: int) -> list[Cycle]:
    """The cycles, from lighting-up to lighting-up, that lie wholly within [from_ns, to_ns)."""
    first = bisect_left(actual.times, from_ns)
    found: list[Cycle] = []
    rise: int | None = None
    fall: int | None = None
    lit = first > 0 and actual.values[first - 1] > 0
    for place in range(first, len(actual.times)):
        at_ns, on = actual.times[place], actual.values[place] > 0
        if on and not lit:
            if rise is not None and fall is not None:
                found.append(Cycle(rise, at_ns, fall - rise))
            rise = at_ns if at_ns < to_ns else None
            fall = None
        elif lit and not on:
            fall = at_ns
        lit = on
        if at_ns >= to_ns:
            break
    return [cycle for cycle in found if cycle.to_ns < to_ns]


class Run(NamedTuple):
    """A span in which nothing but flashing is right, in ns."""

    allowed_ns: int
    """From here on a load that is lit can only be flashing."""
    only_ns: int
    """From here on it must flash."""
    to_ns: int
    begins: bool
    """It was surely dark before, so a pattern begins here, with a lit phase."""


def flash_runs(segments: Sequence[Segment]) -> list[Run]:
    """The spans in which nothing but flashing is allowed."""
    runs: list[Run] = []
    allowed_ns: int | None = None
    begins = dark = False
    for segment in segments:
        if FLASH not in segment.states:
            allowed_ns, dark = None, segment.states == {OFF}
            continue
        if not segment.states <= {FLASH, OFF}:
            allowed_ns, begins = segment.to_ns, False
            continue
        if allowed_ns is None:
            allowed_ns, begins = segment.from_ns, dark
        if segment.states == {FLASH}:
            if runs and runs[-1].to_ns == segment.from_ns:
                runs[-1] = runs[-1]._replace(to_ns=segment.to_ns)
            else:
                runs.append(Run(allowed_ns, segment.from_ns, segment.to_ns, begins))
            begins = False
    return runs


def judge_flashing(
    name: str,
    rule: FlashRule,
    segments: Sequence[Segment],
    actual: Series[float],
    stops: Sequence[tuple[int, int]] = (),
) -> list[Verdict]:
    """One verdict for each span in which the load must flash. Its node cannot make it flash in the
    spans ``stops``; a pattern begins afresh after each of them.
    """
    runs = [part for run in flash_runs(segments) for part in _cut(run, stops)]
    return [_judge_run(name, rule, run, actual) for run in runs]


def _cut(run: Run, stops: Sequence[tuple[int, int]]) -> Iterator[Run]:
    for start_ns, end_ns in sorted(stops):
        if start_ns >= run.to_ns:
            break
        if start_ns > run.only_ns:
            yield run._replace(to_ns=start_ns)
        if end_ns > run.allowed_ns:
            only_ns = max(run.only_ns, end_ns)
            run = Run(max(run.allowed_ns, start_ns), only_ns, run.to_ns, begins=False)
    if run.only_ns < run.to_ns:
        yield run


def _judge_run(name: str, rule: FlashRule, run: Run, actual: Series[float]) -> Verdict:
    """No longest period passes without a rise. A pattern begins with a lit phase. It may wait up to
    a dark phase for a rhythm that others have, and its lit phase may then be short. The cycles must
    be right however short the span is.
    """
    only_ns, to_ns = run.only_ns, run.to_ns
    longest_ns = rule.longest_period_ns
    waits = not run.begins or rule.rhythm is not None
    rises = [at_ns for at_ns in rises_of(actual) if run.allowed_ns <= at_ns < to_ns]
    before = [at_ns for at_ns in rises if at_ns <= only_ns]
    due_ns = before[-1] + longest_ns if before else only_ns
    if not before and actual.at(only_ns) > 0:
        due_ns += longest_ns
    elif waits and actual.at(only_ns) <= 0:
        # It may have been off until then, and begins afresh.
        due_ns = max(due_ns, only_ns + round(longest_ns * (1 - rule.on_share[0])))
    margins: list[int] = []
    for at_ns in [*rises[len(before) :], to_ns]:
        if at_ns > due_ns:
            cause = Cause.NOT_BEGUN if due_ns == only_ns else Cause.NOT_LIT_AGAIN
            late_ns, longest = at_ns - due_ns, show_duration(longest_ns)
            return Verdict.missed(name, "flash", due_ns, late_ns, cause, allowed=longest)
        if at_ns != to_ns:
            margins.append(due_ns - at_ns)
        due_ns = at_ns + longest_ns
    inside = whole_cycles(actual, only_ns, to_ns)
    if waits and inside and _joins(rule, inside, actual, run.allowed_ns):
        del inside[0]
    wrong = _outside(rule, inside)
    if wrong is not None:
        cycle, cause, observed, allowed = wrong
        lasts_ns = to_ns - cycle.to_ns
        return Verdict.wrong(name, "flash", cycle.to_ns, lasts_ns, cause, observed, allowed)
    if not inside or to_ns - only_ns <= longest_ns:
        return Verdict(name, "flash", Outcome.NOT_EXERCISED)
    return Verdict(name, "flash", Outcome.KEPT, smallest(margins))


def rises_of(actual: Series[float]) -> list[int]:
    """The instants at which a load lit up."""
    changes = actual.changes()
    return [at_ns for (_, before), (at_ns, level) in pairwise(changes) if before <= 0 < level]


def _joins(
    rule: FlashRule, cycles: Sequence[Cycle], actual: Series[float], allowed_ns: int
) -> bool:
    """Whether the first cycle begins with a lit phase that joins a running rhythm: the first lit
    phase since flashing began may be short.
    """
    first = cycles[0]
    if bisect_left(actual.times, allowed_ns) < bisect_left(actual.times, first.from_ns):
        return False
    whole_ns = cycles[1].lit_ns if len(cycles) > 1 else first.lit_ns + 1
    return first.lit_ns < whole_ns and first.per_minute > rule.per_minute[0]


def _outside(rule: FlashRule, cycles: Sequence[Cycle]) -> tuple[Cycle, Cause, str, str] | None:
    """The first cycle at which the average of the last ones leaves the limits: the cycle, the
    cause, the observed value and the limits.
    """
    low, high = rule.per_minute
    for index, cycle in enumerate(cycles):
        last = cycles[max(0, index + 1 - AVERAGE_OF) : index + 1]
        if len(last) < min(AVERAGE_OF, len(cycles)):
            continue
        rate = mean_rate(last)
        if not low <= rate <= high:
            return cycle, Cause.RATE, f"{rate:.1f}", f"{low:g} to {high:g}"
        share = sum(entry.on_share for entry in last) / len(last)
        if not rule.on_share[0] <= share <= rule.on_share[1]:
            limits = f"{rule.on_share[0]:.0%} to {rule.on_share[1]:.0%}"
            return cycle, Cause.ON_SHARE, f"{share:.0%}", limits
    return None
