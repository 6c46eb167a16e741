"""The *quiet recovery* rule: a node that comes back from bus-off leaves the bus to the others.

    bus-off    ____|~~~~|_______|~~~~|_______|~~~~|____
    returns             x            x            x         at most 'returns' in any second
    failed               ||||||||     ||||||||              their share at most 'failed_share'

A controller that is sent back at once, again and again, fills most of the bus with its failures
while what ails it lasts. An attempt that nobody acknowledged does not count: it never leads to
bus-off, and a program cannot tell whether it is alone.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from itertools import pairwise

from linkloss.judge.case import Case
from linkloss.judge.service import BusOff, TimeSpan, bus_offs
from linkloss.judge.verdict import Outcome, Verdict, worst

SECOND_NS = 1_000_000_000
ERROR_BITS = 14
"""Error flag and delimiter behind a failed attempt: 6 + 8 bits, the least that they can take
(Bosch CAN Specification 2.0, part B section 3.1.3)."""
ROUND_BITS = 128 * 11 + 32 * 160
"""From bus-off to the next of a node that comes back at once and fails at once, at most: the way
back, and 32 attempts, each no longer than an extended frame with its error frame."""


def judge_quiet(case: Case, node: str) -> list[Verdict]:
    """How often a node came back, and what its failures took of the bus."""
    offs = [*bus_offs(case, node)]
    found = [Verdict(node, "quiet recovery", Outcome.NOT_EXERCISED)]
    table = case.vehicle.nodes[node]
    for at_ns, text in (
        *_too_often(offs, table.returns),
        *_too_loud(case, node, offs, table.failed_share),
    ):
        if at_ns >= case.start_ns:
            found.append(
                Verdict(node, "quiet recovery", Outcome.BROKEN, None, at_ns, None, text, node)
            )
    round_ns = ROUND_BITS * SECOND_NS // case.vehicle.bus.bit_rate
    if _lasted_ns(offs, case.start_ns) >= (table.returns + 1) * round_ns:
        found.append(Verdict(node, "quiet recovery", Outcome.KEPT))
    return [worst(found)]


def _lasted_ns(offs: Sequence[BusOff], start_ns: int) -> int:
    """How long a node went bus-off again and again: one that had come back at once each time would
    have done it all the while.
    """
    judged = [off for off in offs if off.from_ns >= start_ns]
    if not any(off.back for off in judged[:-1]):
        return 0
    return judged[-1].from_ns - judged[0].from_ns


def _too_often(offs: Sequence[BusOff], most: int) -> Iterator[tuple[int, str]]:
    backs = [off.to_ns for off in offs if off.back]
    for first, last in zip(backs, backs[most:], strict=False):
        if last - first < SECOND_NS:
            count = bisect_left(backs, first + SECOND_NS) - bisect_left(backs, first)
            text = f"came back from bus-off {count} times within a second; expected at most {most}"
            yield last, text
            return


def _too_loud(
    case: Case, node: str, offs: Sequence[BusOff], share: float
) -> Iterator[tuple[int, str]]:
    """The failed attempts between a return and the next bus-off, over any second."""
    tries = [*_failures(case, node, offs)]
    first = taken_ns = 0
    for at_ns, lasted_ns in tries:
        taken_ns += lasted_ns
        while tries[first][0] <= at_ns - SECOND_NS:
            taken_ns -= tries[first][1]
            first += 1
        if taken_ns > share * SECOND_NS:
            text = "came back from bus-off only to fail again: its failed attempts took more than"
            yield at_ns, f"{text} {share:.0%} of the bus within a second"
            return


def _failures(case: Case, node: str, offs: Sequence[BusOff]) -> Iterator[tuple[int, int]]:
    """(start, time taken) of each failed attempt that counts, in order of time."""
    error_ns = ERROR_BITS * SECOND_NS // case.vehicle.bus.bit_rate
    alone = _alone(case, node)
    own = [
        record
        for record in case.recording.frames
        if record.sender == node and record.error is not None
    ]
    for back, again in pairwise(offs):
        tries = [record for record in own if back.to_ns <= record.start_ns <= again.from_ns]
        for record in tries:
            start_ns = record.start_ns
            heard = not any(from_ns <= start_ns < to_ns for from_ns, to_ns in alone)
            if heard and record.error in ("disturbed", "collision"):
                yield start_ns, record.end_ns + error_ns - start_ns


def _alone(case: Case, node: str) -> list[TimeSpan]:
    """The spans in which no other node's controller was there to be disturbed: this one was
    unplugged, or all others were unplugged, bus-off or without a running controller.
    """
    alone = _unplugged(case, node)
    away = [
        [*_unplugged(case, other), *_silent(case, other)]
        for other in case.vehicle.nodes
        if other != node
    ]
    edges = sorted({at for spans in away for span in spans for at in span})
    for from_ns, to_ns in pairwise(edges):
        if all(any(a <= from_ns and to_ns <= b for a, b in spans) for spans in away):
            alone.append((from_ns, to_ns))
    return alone if away else [(0, case.end_ns)]


def _unplugged(case: Case, node: str) -> list[TimeSpan]:
    return case.spans(lambda fault: fault.kind == "unplug" and node in fault.nodes)


def _silent(case: Case, node: str) -> Iterator[TimeSpan]:
    """Bus-off, or between a reset and the program's start."""
    for off in bus_offs(case, node):
        yield off.from_ns, off.to_ns
    for life in case.lives[node].lives:
        yield life.reset_ns, life.end_ns if life.up_ns is None else life.up_ns
