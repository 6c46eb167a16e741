"""*Notice* rules: a named signal shows trouble to the driver, and only trouble.

For notices of the kind ``failed``, this also works out when a failed load can be seen, and so must
be reported.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from linkloss.judge.case import Case, off_the_bus
from linkloss.judge.control import handed
from linkloss.judge.evidence import Arrival, Link, Ticks
from linkloss.judge.states import ANY, OFF, ON, Span, Stretch, at, united, wrong
from linkloss.judge.uptimes import Uptime, merged, within, without
from linkloss.judge.verdict import Cause, Outcome, Verdict, worst
from linkloss.recording import FaultRecord
from linkloss.vehicle.expression import split_signal
from linkloss.vehicle.load import NoticeTable
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo

STUCK_ON = "relay_welded"
"""The fault that shows while its load is not driven; all others show while it is."""


class Trouble(NamedTuple):
    """Something that a notice reports, in ns: when it may be given, when it must be, when the
    trouble is over, and when the notice must be withdrawn; for a failed load, also which. Trouble
    that shows ``by_turns`` must be reported once by ``must_ns``, and not all the time.
    """

    may_ns: int
    must_ns: int
    over_ns: int
    calm_ns: int
    load: str = ""
    by_turns: bool = False

    def shows_at(self, at_ns: int) -> bool:
        """Whether a notice given at an instant may have been given for this trouble."""
        return self.may_ns < self.over_ns and self.may_ns <= at_ns < self.calm_ns


def failures(case: Case, notice: NoticeTable, uptime: Uptime) -> Iterator[Trouble]:
    """Each failure of each load.

    A load that got nothing for another reason, such as a tripped switch, may be reported. A failed
    load need not be while a fault of another kind keeps the status of its node from the node that
    shows the notice.

    A node can detect a blown fuse and an open or shorted lead, by the current, only while it drives
    the load, and a welded relay only while it does not. The notice must be given ``within`` of when
    the failure began to show, and may be withdrawn once it no longer shows. The failure of a
    flashing load shows by turns: its notice must be given once ``within`` of the first cycle. After
    the repair the notice must be withdrawn ``within`` after the load begins to show that it is
    well, the first time that it shows this for at least that long.
    """
    for fault in case.recording.faults:
        for load in fault.loads:
            if load in notice.failed:
                yield from _failure(case, notice, uptime, fault, load)
    for load in notice.failed:
        for from_ns, to_ns in _dead(case, load):
            yield Trouble(from_ns, to_ns, to_ns, _calm_ns(case, notice, load, to_ns), load)


def _failure(
    case: Case, notice: NoticeTable, uptime: Uptime, fault: FaultRecord, load: str
) -> Iterator[Trouble]:
    repaired_ns = case.end_ns if fault.cleared_ns is None else fault.cleared_ns
    stuck_on = fault.kind == STUCK_ON
    calm_ns = _calm_ns(case, notice, load, repaired_ns, stuck_on=stuck_on)
    hidden = _unheard(case, notice, load)
    if stuck_on:  # a welded contact ahead of a blown fuse passes no current that could be seen
        got = case.recording.outputs[load].stretches(case.end_ns)
        hidden += [(from_ns, to_ns) for from_ns, to_ns, level in got if level <= 0]
    cycle_ns = 0 if stuck_on else case.vehicle.loads[load].cycle_ns
    shown = _shows(case, load, fault.applied_ns, repaired_ns, stuck_on=stuck_on)
    seen = [
        (max(from_ns, uptime.boot_end_ns), min(to_ns, uptime.end_ns))
        for shows_ns, hides_ns in merged(shown, cycle_ns)
        for from_ns, to_ns in without(shows_ns, hides_ns, hidden)
    ]
    for from_ns, to_ns in seen or [(fault.applied_ns, fault.applied_ns)]:
        # The rest of a flash may be too short to be seen: allow one cycle more.
        must_ns = min(from_ns + notice.within + cycle_ns, max(from_ns, to_ns))
        yield Trouble(
            fault.applied_ns, must_ns, max(from_ns, to_ns), calm_ns, load, by_turns=cycle_ns > 0
        )


def _calm_ns(
    case: Case, notice: NoticeTable, load: str, well_ns: int, *, stuck_on: bool = False
) -> int:
    """When the notice must be withdrawn, for a load that is well again from ``well_ns`` on. One
    that shows this for less than ``within`` at a time, such as an indicator, need not be believed.
    """
    unheard = _unheard(case, notice, load)
    for from_ns, to_ns in _shows(case, load, well_ns, case.end_ns, stuck_on=stuck_on):
        for start_ns, end_ns in without(from_ns, to_ns, unheard):
            if end_ns - start_ns >= notice.within:
                return start_ns + notice.within
    return case.end_ns


def _unheard(case: Case, notice: NoticeTable, load: str) -> list[tuple[int, int]]:
    """When a fault other than of an input or output kept the status of a load's node from the node
    that shows the notice, for longer than 1.5 of its periods.
    """
    node = case.vehicle.loads[load].node
    teller = case.vehicle.sender(split_signal(notice.signal)[0])
    status = case.vehicle.nodes[node].status
    faults = case.spans(lambda fault: fault.group not in ("input", "output"), near=teller)
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
    """When a load got nothing although it was driven and its node's supply was in range, whatever
    the reason: it may then be reported as failed. The closing time of a relay does not count.
    """
    usual_ns = case.vehicle.loads[load].switching_ns
    for from_ns, to_ns in _shows(case, load, 0, case.end_ns, stuck_on=False):
        for start_ns, end_ns, level in case.recording.outputs[load].stretches(to_ns, from_ns):
            start_ns = max(start_ns, from_ns)
            if level <= 0 and end_ns - start_ns > usual_ns:
                yield start_ns, end_ns


def _shows(
    case: Case, load: str, from_ns: int, to_ns: int, *, stuck_on: bool
) -> list[tuple[int, int]]:
    """The parts of a span in which the load's node runs, is supplied, and could detect the
    failure.
    """
    driven = case.recording.driven.get(load)
    if driven is None:
        return []
    node = case.vehicle.loads[load].node
    history = case.histories[node]
    blind = [(uptime.reset_ns, uptime.boot_end_ns) for uptime in history.uptimes]
    blind += [(hang.from_ns, hang.to_ns) for hang in history.hangs]
    blind += case.undersupplied(node)
    found: list[tuple[int, int]] = []
    for start_ns, end_ns, level in driven.stretches(to_ns, from_ns):
        if (level > 0) != stuck_on:
            found += without(max(start_ns, from_ns), end_ns, blind)
    return found


def told_rules(vehicle: Vehicle, logged: Collection[str] = ()) -> dict[tuple[str, str], str]:
    """The rule *notice* of each load whose failure must be reported: (notice, load) -> its name.
    Each load is judged by itself, although one signal may report many.
    """
    found: dict[tuple[str, str], str] = {}
    tellers: dict[str, list[str]] = {}
    for name, notice in vehicle.notices.items():
        if vehicle.sender(split_signal(notice.signal)[0]) in logged:
            continue
        for load in notice.failed:
            if vehicle.loads[load].node not in logged:
                tellers.setdefault(load, []).append(name)
    for load, names in tellers.items():
        for name in names:
            found[name, load] = "notice" if len(names) == 1 else f"notice {name}"
    return found


def judge_notice(case: Case, name: str, notice: NoticeTable) -> list[Verdict]:
    """One notice over the whole run, as its node's program handed it over: whether it was given in
    time (for failed loads, each load by itself), and whether it was given without cause.
    """
    node = case.vehicle.sender(split_signal(notice.signal)[0])
    rules = told_rules(case.vehicle, case.recording.logged)
    own = {load: rules[name, load] for load in notice.failed if (name, load) in rules}
    found = {(name, "notice"): [Verdict(name, "notice", Outcome.NOT_EXERCISED)]}
    for uptime in case.histories[node].uptimes:
        if uptime.up_ns is not None:
            for verdict in _judge_uptime(case, name, notice, own, uptime):
                found.setdefault((verdict.subject, verdict.rule), []).append(verdict)
    return [worst(verdicts) for verdicts in found.values()]


def _judge_uptime(
    case: Case, name: str, notice: NoticeTable, own: Mapping[str, str], uptime: Uptime
) -> Iterator[Verdict]:
    node = case.vehicle.sender(split_signal(notice.signal)[0])
    bus = case.vehicle.messages[split_signal(notice.signal)[0]].bus
    troubles = list(_troubles(case, notice, node, uptime))
    spans = [Span(trouble.may_ns, trouble.calm_ns, ON) for trouble in troubles]
    # Once it must be given, the notice may not be off until the trouble is over.
    demanded = merged([(t.must_ns, t.over_ns) for t in troubles if not t.by_turns])
    spans += [Span(from_ns, to_ns, OFF) for from_ns, to_ns in without(0, case.end_ns, demanded)]
    begin_ns = uptime.boot_end_ns + notice.within
    excused = [(0, begin_ns), (uptime.end_ns, case.end_ns)]
    excused += [(hang.from_ns, hang.to_ns + notice.within) for hang in case.histories[node].hangs]
    excused += [(start, end + notice.within) for start, end in off_the_bus(case, node, bus)]
    excused += _asleep(case, notice)
    spans += [Span(start, min(end, case.end_ns), ANY) for start, end in excused]
    allowed = united(spans, case.end_ns, case.start_ns)
    changes = [
        (at_ns, 100.0 * level) for at_ns, level in handed(case, notice.signal, uptime).changes()
    ]
    for part in wrong(allowed, changes):
        lasts_ns = part.to_ns - part.from_ns
        if OFF in part.states:
            culprit = "" if notice.failed else node
            yield Verdict.missed(
                name, "notice", part.from_ns, lasts_ns, Cause.UNFOUNDED, culprit=culprit
            )
        elif not notice.failed:
            yield Verdict.missed(
                name, "notice", part.from_ns, lasts_ns, Cause.NOT_GIVEN, culprit=node
            )
        for load, rule in () if OFF in part.states else own.items():
            due = [(t.must_ns, t.over_ns) for t in troubles if t.load == load]
            for from_ns, to_ns in within(part.from_ns, part.to_ns, due):
                # No culprit: the load's own node may be at fault as well.
                yield Verdict.missed(
                    load, rule, from_ns, to_ns - from_ns, Cause.NOT_TOLD, about=(name,)
                )
    for trouble in troubles:
        if trouble.may_ns < case.start_ns:
            continue
        rule = own.get(trouble.load, "notice")
        if trouble.by_turns:
            yield from _judge_by_turns(rule, trouble, troubles, changes, excused)
            continue
        others = [other for other in troubles if other.load != trouble.load]
        for margin_ns in _given(allowed, changes, trouble, others):
            yield Verdict(trouble.load or name, rule, Outcome.KEPT, margin_ns)
        for margin_ns in _withdrawn(allowed, changes, trouble) if notice.failed else ():
            yield Verdict(name, "notice", Outcome.KEPT, margin_ns)


def _judge_by_turns(
    rule: str,
    trouble: Trouble,
    troubles: Sequence[Trouble],
    changes: Sequence[tuple[int, float]],
    excused: Sequence[tuple[int, int]],
) -> Iterator[Verdict]:
    """The failure is reported at least once, where it lasts long enough and nothing excuses it."""
    must_ns = trouble.must_ns
    if must_ns >= trouble.over_ns or any(a <= must_ns < b for a, b in excused):
        return
    may_ns = trouble.may_ns
    given_ns = [at_ns for at_ns, shown in changes if may_ns <= at_ns <= must_ns and shown > 0]
    if not given_ns and at(changes, may_ns) <= 0:
        late_ns = trouble.over_ns - must_ns
        yield Verdict.missed(trouble.load, rule, must_ns, late_ns, Cause.NEVER_TOLD)
    others = [other for other in troubles if other.load != trouble.load]
    if given_ns and not any(other.shows_at(given_ns[0]) for other in others):
        yield Verdict(trouble.load, rule, Outcome.KEPT, must_ns - given_ns[0])


def _asleep(case: Case, notice: NoticeTable) -> Iterator[tuple[int, int]]:
    """While a node that the notice is about sleeps, and until it reports again."""
    about = [case.vehicle.loads[load].node for load in notice.failed]
    about += [] if notice.lost is None else [notice.lost]
    for node in dict.fromkeys(about):
        for nap in case.histories[node].naps():
            yield nap.reset_ns, nap.boot_end_ns + notice.within


def _given(
    allowed: Sequence[Stretch],
    changes: Sequence[tuple[int, float]],
    trouble: Trouble,
    others: Sequence[Trouble],
) -> Iterator[int]:
    """The margin where a notice had to be given and was. None where leaving it out would not have
    been wrong, nor where it may have been given for the trouble of another load.
    """
    due = [
        part.from_ns
        for part in allowed
        if part.from_ns < trouble.over_ns and part.to_ns > trouble.must_ns and part.states == {ON}
    ]
    if not due or trouble.must_ns >= trouble.over_ns:
        return
    given_ns = [
        at_ns
        for at_ns, shown in changes
        if trouble.may_ns <= at_ns <= trouble.must_ns and shown > 0
    ]
    if given_ns and not any(other.shows_at(given_ns[-1]) for other in others):
        yield max(trouble.must_ns, due[0]) - given_ns[-1]


def _withdrawn(
    allowed: Sequence[Stretch], changes: Sequence[tuple[int, float]], trouble: Trouble
) -> Iterator[int]:
    """The margin where a notice was given, had to be withdrawn, and was."""
    calm = [part for part in allowed if part.states == {OFF} and part.from_ns == trouble.calm_ns]
    before = [entry for entry in changes if trouble.may_ns <= entry[0] <= trouble.calm_ns]
    if calm and before and before[-1][1] <= 0 and any(shown > 0 for _, shown in before):
        yield trouble.calm_ns - before[-1][0]


def _troubles(case: Case, notice: NoticeTable, node: str, uptime: Uptime) -> Iterator[Trouble]:
    """Each trouble that a notice reports."""
    if notice.lost is not None:
        yield from _losses(case, notice, node, uptime)
    elif notice.failed:
        yield from failures(case, notice, uptime)
    else:
        yield from _sticks(case, notice, node, uptime)


def _losses(case: Case, notice: NoticeTable, node: str, uptime: Uptime) -> Iterator[Trouble]:
    """The times in which no good status of a node arrives for longer than 1.5 periods; a frozen
    counter is a lost node. After a status that may be taken either way, the notice may but need not
    stay.
    """
    assert notice.lost is not None
    status = case.vehicle.nodes[notice.lost].status
    assert status is not None
    message = case.vehicle.messages[status]
    period_ns = message.period_ns or notice.within
    link = Link(
        stale_after_ns=notice.within,
        early_ns=max(0, notice.within - 3 * period_ns // 2),
        reaction_ns=0,
        max_step=max(1, notice.within // period_ns),
    )
    watched = case.arrivals(status, node, link)[case.histories[node].uptimes.index(uptime)]
    heard = case.traffic(status).heard_by(node)
    arrivals = list(_moving(watched, message, heard, 3 * period_ns // 2))
    surely = [entry.at_ns for entry in arrivals if entry.sure]
    certain = [uptime.boot_end_ns, *surely, uptime.end_ns]
    limit_ns = 3 * period_ns // 2
    for last_ns, next_ns in pairwise(certain):
        if next_ns - last_ns <= limit_ns:
            continue
        between = [entry.at_ns for entry in arrivals if last_ns < entry.at_ns < next_ns]
        for from_ns, to_ns in pairwise([last_ns, *between, next_ns]):
            must_ns = min(from_ns + notice.within, to_ns)
            yield Trouble(last_ns + period_ns, must_ns, to_ns, next_ns + notice.within)


def _moving(
    arrivals: Sequence[Arrival], message: MessageInfo, heard: Ticks, silent_ns: int
) -> Iterator[Arrival]:
    """The arrivals except those that repeat the counter of the one before while the message keeps
    arriving; after a silence the counter may have come round to the same value.
    """
    before: int | None = None
    for entry in arrivals:
        count = None if message.counter is None else message.counter.raw(entry.data)
        going_on = heard.any_in(entry.at_ns - silent_ns - 1, entry.at_ns - 1)
        if count is None or count != before or not going_on:
            yield entry
        before = count


def _sticks(case: Case, notice: NoticeTable, node: str, uptime: Uptime) -> Iterator[Trouble]:
    """The times in which an input is away from its rest for longer than is plausible. A program
    that starts afresh may count from its boot on.
    """
    assert notice.stuck is not None
    assert notice.longest is not None
    rest = case.vehicle.inputs[notice.stuck].rest
    seen = case.recording.seen[(notice.stuck, node)]
    for at_ns, end_ns, value in seen.stretches(case.end_ns):
        if value != rest and end_ns - at_ns > notice.longest:
            counted_ns = max(at_ns, uptime.boot_end_ns)
            must_ns = min(counted_ns + notice.longest + notice.within, end_ns)
            yield Trouble(at_ns + notice.longest, must_ns, end_ns, end_ns + notice.within)
