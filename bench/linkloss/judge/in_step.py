"""*In step*: loads that flash together light up together."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence

from linkloss.judge.case import Case
from linkloss.judge.flashing import flash_runs, rises_of
from linkloss.judge.loads import LoadView
from linkloss.judge.verdict import Outcome, Verdict, worst
from linkloss.model.units import ns_in, show_duration


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
            text = f"lit up {show_duration(distance_ns)} away from {partner.name}"
            text += f"; allowed: {show_duration(rule.skew)}"
            strays = [
                lamp
                for lamp, rises in ((view, [at_ns]), (partner, near))
                if any(2 * away > rule.skew for away in _away(case, lamp, rises))
            ]
            if strays:
                names = " and ".join(lamp.name for lamp in strays)
                text += f"; {names} left the rhythm of {rule.rhythm}"
            culprit = strays[0].load.node if len(strays) == 1 else ""
            late_ns = rule.skew - distance_ns
            found.append(
                Verdict(name, "in step", Outcome.BROKEN, late_ns, at_ns, None, text, culprit)
            )
    return [worst(found)]


def _away(case: Case, view: LoadView, rises: Sequence[int]) -> Iterator[int]:
    """How far each rise of a lamp is from the nearest beginning of a cycle that its node was told
    of, in ns; nothing where it was told of none just then.
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
        for life in case.arrivals(message.name, view.load.node, case.link(message.name, view.load))
        for arrival in life
        if not arrival.lost
        if (since_ns := round(signal.physical(arrival.data) * unit_ns)) <= longest_ns
    ]
    for rise_ns in rises:
        nearest_ns = min((abs(rise_ns - at_ns) for at_ns in begun), default=longest_ns)
        if nearest_ns <= longest_ns // 2:
            yield nearest_ns


def _common(view: LoadView, partner: LoadView) -> list[tuple[int, int]]:
    """The spans in which both must flash and both are in service."""
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
