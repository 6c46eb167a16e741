"""Rules on what a load gets.

- *never*: a state that a load may not be in while a condition holds.
- *dark*: how long a lit lamp may be dark when its node resets.
- *back*: how soon a load that was on is on again once its supply is back.
- *in step*: loads that flash together light up together.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from linkloss.judge.case import Case
from linkloss.judge.flashing import flash_runs, rises_of
from linkloss.judge.loads import LoadView
from linkloss.judge.news import rule_name
from linkloss.judge.states import FLASH, ON
from linkloss.judge.uptimes import Uptime, merged
from linkloss.judge.verdict import Cause, Outcome, Verdict, worst
from linkloss.units import ns_in, show_duration
from linkloss.vehicle.load import NeverRule


def judge_never(case: Case, view: LoadView) -> list[Verdict]:
    """One verdict for each never rule of a load."""
    return [_judge_rule(case, view, rule, index) for index, rule in enumerate(view.load.never)]


def _judge_rule(case: Case, view: LoadView, rule: NeverRule, index: int) -> Verdict:
    """The condition counts as it truly is, whatever a node knows of it; only under an input fault
    it counts as the nodes read the input.

    ``within`` is the time to leave the state once the condition holds. A node that has not yet seen
    the condition may still enter the state up to ``latency`` after it began, and a relay needs its
    switching time on top; after that, entering is broken at once. A node that cannot act, or whose
    program does not yet drive the output, has until a latency after that. The rule is exercised
    when the load was in the state within that time and had to leave it within the recording.
    """
    called, node = rule_name(index), view.load.node
    seen_by = node if case.pins_at_fault else None
    holds = case.condition(rule.when, seen_by, node)
    found = [Verdict(view.name, called, Outcome.NOT_EXERCISED)]
    for from_ns, to_ns, value in holds.stretches(case.end_ns):
        if value and to_ns > case.start_ns:
            found += _judge_span(case, view, called, rule, from_ns, to_ns)
    return worst(found)


def _judge_span(
    case: Case, view: LoadView, called: str, rule: NeverRule, from_ns: int, to_ns: int
) -> list[Verdict]:
    name, load, waiting = view.name, view.load, view.sources.waiting
    actual = case.actual(name)
    lit = rule.state == "on"
    moved_ns = from_ns + load.latency + load.switching_ns
    for hang in case.histories[load.node].hangs:
        if hang.from_ns <= moved_ns and from_ns <= hang.to_ns:
            moved_ns = max(moved_ns, hang.to_ns + load.latency + load.switching_ns)
    deadline_ns = waiting.until(from_ns, from_ns + rule.within, rule.within)
    tripped = list(view.sources.trips())
    inside: list[tuple[int, int]] = []
    for start, end, level in actual.stretches(to_ns, from_ns):
        if (level > 0) != lit or end <= case.start_ns:
            continue
        if inside and inside[-1][1] == start:  # another level of the same state
            start = inside.pop()[0]
        inside.append((max(start, from_ns), end))
    found = []
    was_in = from_ns > 0 and (actual.at(from_ns - 1) > 0) == lit
    if was_in and not inside and deadline_ns < to_ns:  # it left at once
        found.append(Verdict(name, called, Outcome.KEPT, deadline_ns - from_ns))
    for start, end in inside:
        leaving = start <= moved_ns or case.undriven(name, start)
        at_ns = start
        if leaving:
            at_ns = waiting.until(start, max(start, deadline_ns))
        if not lit and any(a <= at_ns and start <= b for a, b in tripped):
            continue  # a trip outranks it
        wrong_ns = end - at_ns
        if wrong_ns > 0:
            limit = show_duration(rule.within if leaving else 0)
            found.append(
                Verdict.missed(
                    name, called, at_ns, wrong_ns,
                    Cause.FORBIDDEN_STATE, rule.state, limit,
                    about=(rule.when.text, show_duration(end - start)),
                )
            )  # fmt: skip
        elif leaving and at_ns < to_ns:
            found.append(Verdict(name, called, Outcome.KEPT, at_ns - end))
    return found


def judge_darkness(case: Case, view: LoadView) -> list[Verdict]:
    """The rule *dark*: after a reset, a lamp that was lit is dark for at most ``dark_limit``,
    unless it was rightly switched off meanwhile. After a loss of supply the time counts from when
    the supply is in range again.
    """
    limit_ns = view.load.dark_limit
    if limit_ns is None:
        return []
    actual = case.actual(view.name)
    found = [Verdict(view.name, "dark", Outcome.NOT_EXERCISED)]
    for uptime in case.histories[view.load.node].uptimes:
        lit = uptime.reset_ns > 0 and actual.at(uptime.reset_ns - 1) > 0
        since_ns = _supplied_ns(case, view.load.node, uptime)
        if not lit or uptime.cause == "sleep" or since_ns + limit_ns >= case.end_ns:
            continue
        dark = [
            (max(start, since_ns) if uptime.cause == "supply" else start, end)
            for start, end, level in actual.stretches(case.end_ns)
            if level <= 0 and end > since_ns and start < max(uptime.boot_end_ns, since_ns + 1)
        ]
        longest_ns, open_end = 0, False
        for start, end in dark:
            rightly = view.sources.ordered_off(start, start + limit_ns)
            longest_ns = max(longest_ns, end - start)
            open_end = open_end or end == case.end_ns
            if end - start > limit_ns and not rightly:
                over_ns = end - start - limit_ns
                found.append(
                    Verdict.missed(
                        view.name, "dark", start + limit_ns, over_ns,
                        Cause.LATE_DARK, show_duration(end - start), show_duration(limit_ns),
                        about=(view.load.node,),
                    )
                )  # fmt: skip
        if not open_end and not view.sources.ordered_off(uptime.reset_ns, since_ns + limit_ns):
            margin_ns = limit_ns - longest_ns
            found.append(Verdict(view.name, "dark", Outcome.KEPT, max(0, margin_ns)))
    return [worst(found)]


def _supplied_ns(case: Case, node: str, uptime: Uptime) -> int:
    """From when a node must keep its lamps lit: from the reset, or from when its supply is back."""
    if uptime.cause != "supply":
        return uptime.reset_ns
    undersupplied = (
        to_ns for from_ns, to_ns in case.undersupplied(node) if from_ns <= uptime.reset_ns < to_ns
    )
    return next(undersupplied, min(uptime.back_ns, case.end_ns))


def judge_back(case: Case, view: LoadView) -> list[Verdict]:
    """The rule *back*: a load that was on when its supply failed, and that nothing has asked to be
    off since, is on again at most ``back_within`` after the supply is in range.

    Only a load that was off meanwhile exercises it. It is not judged where its own rules then
    demand that it is off, because what asks for it is not back, nor where a fault stopped or
    restarted its node meanwhile. Supply that fails again within ``back_within`` counts as one
    failure.
    """
    limit_ns = view.load.back_within
    if limit_ns is None:
        return []
    found = [Verdict(view.name, "back", Outcome.NOT_EXERCISED)]
    for from_ns, to_ns in merged(case.undersupplied(view.load.node), limit_ns):
        if from_ns > 0 and from_ns >= case.start_ns and to_ns + limit_ns < case.end_ns:
            found += _judge_dark_span(case, view, from_ns, to_ns, limit_ns)
    return [worst(found)]


def _judge_dark_span(
    case: Case, view: LoadView, from_ns: int, to_ns: int, limit_ns: int
) -> Iterator[Verdict]:
    actual = case.actual(view.name)
    deadline_ns = to_ns + limit_ns
    if actual.at(from_ns - 1) <= 0 or view.sources.ordered_off(from_ns, deadline_ns):
        return
    due_ns = deadline_ns - view.load.latency
    due = [part for part in view.segments if part.from_ns <= deadline_ns and part.to_ns > due_ns]
    if not all(ON in part.states or FLASH in part.states for part in due):
        return
    if _out_of_service(case, view.load.node, from_ns, deadline_ns):
        return
    went_off, on_since = False, to_ns
    back_ns: int | None = None
    for start_ns, _, level in actual.stretches(case.end_ns, from_ns):
        if level <= 0 and start_ns <= deadline_ns:
            went_off, back_ns = True, None
        elif level > 0 and back_ns is None:
            back_ns = max(start_ns, on_since)
    if not went_off:
        return
    if back_ns is not None and back_ns <= deadline_ns:
        yield Verdict(view.name, "back", Outcome.KEPT, deadline_ns - back_ns)
        return
    wrong_ns = (case.end_ns if back_ns is None else back_ns) - deadline_ns
    yield Verdict.missed(
        view.name, "back", deadline_ns, wrong_ns,
        Cause.NOT_BACK, allowed=show_duration(limit_ns), culprit=view.load.node,
    )  # fmt: skip


def _out_of_service(case: Case, node: str, from_ns: int, to_ns: int) -> bool:
    """Whether within a span a node was stopped, or reset for a reason other than its supply."""
    history = case.histories[node]
    return any(hang.from_ns < to_ns and hang.to_ns > from_ns for hang in history.hangs) or any(
        uptime.cause != "supply" and from_ns < uptime.boot_end_ns and uptime.reset_ns < to_ns
        for uptime in history.uptimes
    )


def judge_in_step(case: Case, views: Mapping[str, LoadView], name: str) -> list[Verdict]:
    """Judged where both loads must flash and nothing excuses either of them."""
    view = views[name]
    rule = view.load.flash
    if rule is None or rule.in_step_with is None or rule.in_step_with not in views:
        return []
    partner = views[rule.in_step_with]
    own = rises_of(case.command(name))
    other = rises_of(case.command(partner.name))
    found = [Verdict(name, "in step", Outcome.NOT_EXERCISED)]
    for from_ns, to_ns in _common(view, partner):
        settled_ns = from_ns + rule.longest_period_ns
        first, behind = bisect_left(own, settled_ns), bisect_left(own, to_ns - rule.skew)
        for at_ns in own[first:behind]:
            place = bisect_left(other, at_ns)
            near = other[max(0, place - 1) : place + 1]
            distance_ns = min((abs(at_ns - rise) for rise in near), default=to_ns - from_ns)
            if distance_ns <= rule.skew:
                found.append(Verdict(name, "in step", Outcome.KEPT, rule.skew - distance_ns))
                continue
            strays = [
                lamp
                for lamp, rises in ((view, [at_ns]), (partner, near))
                if any(2 * away > rule.skew for away in _away(case, lamp, rises))
            ]
            cause = Cause.LEFT_RHYTHM if strays else Cause.OUT_OF_STEP
            names = " and ".join(lamp.name for lamp in strays)
            found.append(
                Verdict.wrong(
                    name, "in step", at_ns, None,
                    cause, show_duration(distance_ns), show_duration(rule.skew),
                    about=(partner.name, names, rule.rhythm or ""),
                    margin_ns=rule.skew - distance_ns,
                    culprit=strays[0].load.node if len(strays) == 1 else "",
                )
            )  # fmt: skip
    return [worst(found)]


def _away(case: Case, view: LoadView, rises: Sequence[int]) -> Iterator[int]:
    """How far each rise of a lamp is from the nearest start of a cycle that its node was told of,
    in ns; rises without such a start nearby are left out.
    """
    rule = view.load.flash
    if rule is None or rule.rhythm is None or view.load.stale_after is None:
        return
    message, signal = case.vehicle.signal(rule.rhythm)
    unit_ns = ns_in(signal.unit)
    if unit_ns is None:
        return
    longest_ns = rule.longest_period_ns
    begun = [
        arrival.at_ns - since_ns
        for uptime in case.arrivals(
            message.name, view.load.node, replace(case.link(message.name, view.load), page="")
        )
        for arrival in uptime
        if not arrival.lost and signal.present(arrival.data)
        if (since_ns := round(signal.physical(arrival.data) * unit_ns)) <= longest_ns
    ]
    for rise_ns in rises:
        nearest_ns = min((abs(rise_ns - at_ns) for at_ns in begun), default=longest_ns)
        if nearest_ns <= longest_ns // 2:
            yield nearest_ns


def _common(view: LoadView, partner: LoadView) -> list[tuple[int, int]]:
    """The spans in which both loads must flash and both are in service."""
    spans = []
    for first in flash_runs(view.segments):
        for second in flash_runs(partner.segments):
            for zone in view.strict:
                for other in partner.strict:
                    start = max(first.only_ns, second.only_ns, zone.from_ns, other.from_ns)
                    end = min(first.to_ns, second.to_ns, zone.to_ns, other.to_ns)
                    if start < end:
                        spans.append((start, end))
    return spans
