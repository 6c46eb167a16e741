"""*Notice* rules: trouble must be shown to the driver by a named signal, and only trouble."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from bench.judge.allowed import Span, Stretch, united, wrong
from bench.judge.arrivals import Arrival, Link
from bench.judge.case import Case
from bench.judge.control import handed
from bench.judge.failed import failures
from bench.judge.lives import Life
from bench.judge.service import off_the_bus
from bench.judge.states import ANY, OFF, ON
from bench.judge.supply import merged, without
from bench.judge.traffic import Ticks
from bench.judge.verdict import Outcome, Verdict, smallest, worst
from bench.model.expression import split_signal
from bench.model.messages import MessageInfo
from bench.model.notice import NoticeTable
from bench.model.units import show_duration


def judge_notice(case: Case, name: str, notice: NoticeTable) -> Verdict:
    """One notice over the whole run, as its node's program handed it over."""
    node = case.vehicle.sender(split_signal(notice.signal)[0])
    found = [Verdict(name, "notice", Outcome.NOT_EXERCISED)]
    for life in case.lives[node].lives:
        if life.up_ns is not None:
            found += _judge_life(case, name, notice, node, life)
    return worst(found)


def _judge_life(
    case: Case, name: str, notice: NoticeTable, node: str, life: Life
) -> Iterator[Verdict]:
    troubles = list(_troubles(case, notice, node, life))
    spans = [Span(may_ns, calm_ns, ON) for may_ns, _, _, calm_ns in troubles]
    # Within the trouble the notice is no longer free to be absent.
    demanded = merged([(must_ns, over_ns) for _, must_ns, over_ns, _ in troubles])
    spans += [Span(from_ns, to_ns, OFF) for from_ns, to_ns in without(0, case.end_ns, demanded)]
    begin_ns = life.boot_end_ns + notice.within
    excused = [(0, begin_ns), (life.end_ns, case.end_ns)]
    excused += [(hang.from_ns, hang.to_ns + notice.within) for hang in case.lives[node].hangs]
    excused += [(start, end + notice.within) for start, end in off_the_bus(case, node)]
    spans += [Span(start, min(end, case.end_ns), ANY) for start, end in excused]
    allowed = united(spans, case.end_ns, case.start_ns)
    changes = [
        (at_ns, 100.0 * level) for at_ns, level in handed(case, notice.signal, life).changes()
    ]
    for part in wrong(allowed, changes):
        wrong_ns = part.to_ns - part.from_ns
        was = "not given" if OFF not in part.states else "given without cause"
        text = f"the notice was {was}; wrong for {show_duration(wrong_ns)}"
        culprit = "" if notice.failed else node  # it may be the node of the load as well
        yield Verdict(
            name, "notice", Outcome.BROKEN, -wrong_ns, part.from_ns, wrong_ns, text, culprit
        )
    tested = [
        margin_ns
        for may_ns, must_ns, over_ns, _ in troubles
        if may_ns >= case.start_ns
        for margin_ns in _given(allowed, changes, may_ns, must_ns, over_ns)
    ]
    if tested:
        yield Verdict(name, "notice", Outcome.KEPT, smallest(tested))


def _given(
    allowed: Sequence[Stretch],
    changes: Sequence[tuple[int, float]],
    may_ns: int,
    must_ns: int,
    over_ns: int,
) -> Iterator[int]:
    """The time left where a notice had to be given, and was; none where one that was not given
    would not have been wrong.
    """
    due = [
        part.from_ns
        for part in allowed
        if part.from_ns < over_ns and part.to_ns > must_ns and part.states == {ON}
    ]
    if not due or must_ns >= over_ns:
        return
    given_ns = [at_ns for at_ns, shown in changes if may_ns <= at_ns <= must_ns and shown > 0]
    if given_ns:
        yield max(must_ns, due[0]) - given_ns[-1]


def _troubles(
    case: Case, notice: NoticeTable, node: str, life: Life
) -> Iterator[tuple[int, int, int, int]]:
    """Each trouble as (may be noticed, must be noticed, is over, must be calm again)."""
    if notice.lost is not None:
        yield from _losses(case, notice, node, life)
    elif notice.failed:
        yield from failures(case, notice, life)
    else:
        yield from _sticks(case, notice, node, life)


def _losses(
    case: Case, notice: NoticeTable, node: str, life: Life
) -> Iterator[tuple[int, int, int, int]]:
    """The times in which no good status of a node comes for longer than 1.5 periods: a frozen
    counter is a lost node. Behind a status that may be taken either way the notice may stay, and
    need not.
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
    watched = case.arrivals(status, node, link)[case.lives[node].lives.index(life)]
    heard = case.traffic(status).heard_by(node)
    arrivals = list(_moving(watched, message, heard, 3 * period_ns // 2))
    surely = [entry.at_ns for entry in arrivals if entry.sure]
    certain = [life.boot_end_ns, *surely, life.end_ns]
    limit_ns = 3 * period_ns // 2
    for last_ns, next_ns in pairwise(certain):
        if next_ns - last_ns <= limit_ns:
            continue
        between = [entry.at_ns for entry in arrivals if last_ns < entry.at_ns < next_ns]
        for from_ns, to_ns in pairwise([last_ns, *between, next_ns]):
            must_ns = min(from_ns + notice.within, to_ns)
            yield last_ns + period_ns, must_ns, to_ns, next_ns + notice.within


def _moving(
    arrivals: Sequence[Arrival], message: MessageInfo, heard: Ticks, silent_ns: int
) -> Iterator[Arrival]:
    """The arrivals but for those that repeat the counter of the one before while the message goes
    on coming: behind a silence the counter may have come round to where it was.
    """
    before: int | None = None
    for entry in arrivals:
        count = None if message.counter is None else message.counter.raw(entry.data)
        going_on = heard.any_in(entry.at_ns - silent_ns - 1, entry.at_ns - 1)
        if count is None or count != before or not going_on:
            yield entry
        before = count


def _sticks(
    case: Case, notice: NoticeTable, node: str, life: Life
) -> Iterator[tuple[int, int, int, int]]:
    """The times in which an input is away from its rest for longer than is plausible. A program
    that begins anew may count from its boot on.
    """
    assert notice.stuck is not None
    assert notice.longest is not None
    rest = case.vehicle.inputs[notice.stuck].rest
    changes = case.recording.seen[(notice.stuck, node)].changes()
    ends = [at_ns for at_ns, _ in changes[1:]] + [case.end_ns]
    for (at_ns, value), end_ns in zip(changes, ends, strict=True):
        if value != rest and end_ns - at_ns > notice.longest:
            counted_ns = max(at_ns, life.boot_end_ns)
            must_ns = min(counted_ns + notice.longest + notice.within, end_ns)
            yield at_ns + notice.longest, must_ns, end_ns, end_ns + notice.within
