"""*Never* rules: a state that a load may not be in while a condition holds."""

from __future__ import annotations

from linkloss.judge.case import Case
from linkloss.judge.loads import LoadView
from linkloss.judge.news import rule_name
from linkloss.judge.states import levels
from linkloss.judge.verdict import Outcome, Verdict, worst
from linkloss.model.load import NeverRule
from linkloss.model.units import show_duration


def judge_never(case: Case, view: LoadView) -> list[Verdict]:
    """One verdict for each never rule of a load."""
    return [_judge_rule(case, view, rule, index) for index, rule in enumerate(view.load.never)]


def _judge_rule(case: Case, view: LoadView, rule: NeverRule, index: int) -> Verdict:
    """The condition is taken as it truly is, whatever a node knows of it; only under a fault of
    an input as the nodes see that input.

    ``within`` is the time to leave the state once the condition holds. A node that has not yet
    seen it may still enter the state up to ``latency`` behind its begin, and a relay follows; from
    there on entering it is broken at once. A node that cannot act, or whose program does not yet
    drive the output, has until a latency behind that. The rule is exercised when the load was in
    the state within that time and had to leave it, within the recording.
    """
    called, node = rule_name(index), view.load.node
    seen_by = node if case.pins_at_fault else None
    holds = case.condition(rule.when, seen_by, node).changes()
    ends = [at_ns for at_ns, _ in holds[1:]] + [case.end_ns]
    found = [Verdict(view.name, called, Outcome.NOT_EXERCISED)]
    for (from_ns, value), to_ns in zip(holds, ends, strict=True):
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
    for hang in case.lives[load.node].hangs:
        if hang.from_ns <= moved_ns and from_ns <= hang.to_ns:
            moved_ns = max(moved_ns, hang.to_ns + load.latency + load.switching_ns)
    deadline_ns = waiting.until(from_ns, from_ns + rule.within, rule.within)
    tripped = list(view.sources.trips())
    inside: list[tuple[int, int]] = []
    for start, end, level in levels(actual, to_ns, from_ns):
        if (level > 0) != lit or end <= case.start_ns:
            continue
        if inside and inside[-1][1] == start:  # another level of the same state
            start = inside.pop()[0]
        inside.append((max(start, from_ns), end))
    found = []
    was_in = from_ns > 0 and (actual.at(from_ns - 1) > 0) == lit
    if was_in and not inside and deadline_ns < to_ns:  # it left it at once
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
            text = (
                f"was {rule.state} while {rule.when.text}, for {show_duration(end - start)};"
                f" allowed: {show_duration(rule.within if leaving else 0)}"
            )
            found.append(Verdict(name, called, Outcome.BROKEN, -wrong_ns, at_ns, wrong_ns, text))
        elif leaving and at_ns < to_ns:
            found.append(Verdict(name, called, Outcome.KEPT, at_ns - end))
    return found
