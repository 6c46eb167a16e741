"""When a failed load can be seen, and so must be told: for notices of the kind ``failed``."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from linkloss.judge.case import Case
from linkloss.judge.lives import Life
from linkloss.judge.states import levels
from linkloss.judge.supply import merged, without
from linkloss.model.expression import split_signal
from linkloss.model.notice import NoticeTable
from linkloss.recording import FaultRecord

STUCK_ON = "relay_welded"
"""The fault that shows while its load is not driven; all others show while it is."""


class Trouble(NamedTuple):
    """Something that a notice tells of: when it may be noticed, when it must, when it is over and
    when it must be calm again, in ns; of a failed load, which. One that is there ``by_turns`` must
    be told once by then, and not all the time.
    """

    may_ns: int
    must_ns: int
    over_ns: int
    calm_ns: int
    load: str = ""
    by_turns: bool = False

    def shows_at(self, at_ns: int) -> bool:
        """Whether a notice that was given at an instant may have been given for it."""
        return self.may_ns < self.over_ns and self.may_ns <= at_ns < self.calm_ns


def failures(case: Case, notice: NoticeTable, life: Life) -> Iterator[Trouble]:
    """Each failure of each load.

    A load that got nothing for another reason, such as a switch that has tripped, may be told.
    While a fault of another kind keeps the status of the load's node from the one that tells the
    driver, it need not be.

    A node can tell a blown fuse, an open or a shorted lead by the current only while it drives
    the load, and a welded relay only while it does not: the notice must be given ``within`` of
    when the failure began to show, and may be withdrawn once it no longer shows. That of a load
    that flashes shows by turns: it must be given once ``within`` of the first cycle. After the
    repair it must be withdrawn ``within`` of when the load first shows for so long that it is well.
    """
    for fault in case.recording.faults:
        for load in fault.loads:
            if load in notice.failed:
                yield from _failure(case, notice, life, fault, load)
    for load in notice.failed:
        for from_ns, to_ns in _dead(case, load):
            yield Trouble(from_ns, to_ns, to_ns, _calm_ns(case, notice, load, to_ns), load)


def _failure(
    case: Case, notice: NoticeTable, life: Life, fault: FaultRecord, load: str
) -> Iterator[Trouble]:
    repaired_ns = case.end_ns if fault.cleared_ns is None else fault.cleared_ns
    stuck_on = fault.kind == STUCK_ON
    calm_ns = _calm_ns(case, notice, load, repaired_ns, stuck_on=stuck_on)
    hidden = _unheard(case, notice, load)
    if stuck_on:  # a welded contact in front of a blown fuse lets nothing pass that could be seen
        got = levels(case.recording.outputs[load], case.end_ns)
        hidden += [(from_ns, to_ns) for from_ns, to_ns, level in got if level <= 0]
    cycle_ns = 0 if stuck_on else case.vehicle.loads[load].cycle_ns
    shown = _shows(case, load, fault.applied_ns, repaired_ns, stuck_on=stuck_on)
    seen = [
        (max(from_ns, life.boot_end_ns), min(to_ns, life.end_ns))
        for shows_ns, hides_ns in merged(shown, cycle_ns)
        for from_ns, to_ns in without(shows_ns, hides_ns, hidden)
    ]
    for from_ns, to_ns in seen or [(fault.applied_ns, fault.applied_ns)]:
        # The rest of a flash may be too short to be seen: one cycle more.
        must_ns = min(from_ns + notice.within + cycle_ns, max(from_ns, to_ns))
        yield Trouble(
            fault.applied_ns, must_ns, max(from_ns, to_ns), calm_ns, load, by_turns=cycle_ns > 0
        )


def _calm_ns(
    case: Case, notice: NoticeTable, load: str, well_ns: int, *, stuck_on: bool = False
) -> int:
    """When the notice must be withdrawn, for a load that is well again from ``well_ns`` on: one
    that shows it for less than ``within`` at a time, such as an indicator, need not be believed.
    """
    unheard = _unheard(case, notice, load)
    for from_ns, to_ns in _shows(case, load, well_ns, case.end_ns, stuck_on=stuck_on):
        for start_ns, end_ns in without(from_ns, to_ns, unheard):
            if end_ns - start_ns >= notice.within:
                return start_ns + notice.within
    return case.end_ns


def _unheard(case: Case, notice: NoticeTable, load: str) -> list[tuple[int, int]]:
    """When a fault elsewhere than behind an output kept the status of a load's node from the node
    that tells the driver, for longer than 1.5 of its periods.
    """
    node = case.vehicle.loads[load].node
    teller = case.vehicle.sender(split_signal(notice.signal)[0])
    status = case.vehicle.nodes[node].status
    faults = case.spans(lambda fault: fault.group not in ("input", "output"))
    if node == teller or status is None or not faults:
        return []
    limit_ns = 3 * (case.vehicle.messages[status].period_ns or notice.within) // 2
    heard = case.traffic(status).heard_by(teller)
    first_ns, last_ns = (heard.times[0], heard.times[-1]) if heard.times else (case.end_ns, 0)
    gaps = [(0, first_ns), *heard.silences(limit_ns), (last_ns, case.end_ns)]
    return [
        (from_ns, to_ns)
        for from_ns, to_ns in gaps
        if to_ns - from_ns > limit_ns
        and any(start_ns < to_ns and end_ns > from_ns for start_ns, end_ns in faults)
    ]


def _dead(case: Case, load: str) -> Iterator[tuple[int, int]]:
    """When a load got nothing though it was driven and its node's supply was in range, whatever
    the reason: then it may be told as failed. A relay that takes its time to close is no reason.
    """
    usual_ns = case.vehicle.loads[load].switching_ns
    for from_ns, to_ns in _shows(case, load, 0, case.end_ns, stuck_on=False):
        for start_ns, end_ns, level in levels(case.recording.outputs[load], to_ns, from_ns):
            start_ns = max(start_ns, from_ns)
            if level <= 0 and end_ns - start_ns > usual_ns:
                yield start_ns, end_ns


def _shows(
    case: Case, load: str, from_ns: int, to_ns: int, *, stuck_on: bool
) -> list[tuple[int, int]]:
    """Within a span, when the load's node runs, has its supply, and could tell."""
    driven = case.recording.driven.get(load)
    if driven is None:
        return []
    node = case.vehicle.loads[load].node
    story = case.lives[node]
    blind = [(life.reset_ns, life.boot_end_ns) for life in story.lives]
    blind += [(hang.from_ns, hang.to_ns) for hang in story.hangs]
    blind += case.lean(node)
    found: list[tuple[int, int]] = []
    for start_ns, end_ns, level in levels(driven, to_ns, from_ns):
        if (level > 0) != stuck_on:
            found += without(max(start_ns, from_ns), end_ns, blind)
    return found
