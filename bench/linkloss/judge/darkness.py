"""How long a lit lamp may be dark when its node resets."""

from __future__ import annotations

from linkloss.judge.case import Case
from linkloss.judge.lives import Life
from linkloss.judge.loads import LoadView
from linkloss.judge.states import levels
from linkloss.judge.verdict import Outcome, Verdict, worst
from linkloss.model.units import show_duration


def judge_darkness(case: Case, view: LoadView) -> list[Verdict]:
    """The rule *dark*: from a reset on, a lamp that was lit is dark for ``dark_limit`` at most,
    unless it was rightly switched off meanwhile. After a loss of supply it counts from when the
    supply is in range again.
    """
    limit_ns = view.load.dark_limit
    if limit_ns is None:
        return []
    actual = case.actual(view.name)
    found = [Verdict(view.name, "dark", Outcome.NOT_EXERCISED)]
    for life in case.lives[view.load.node].lives:
        lit = life.reset_ns > 0 and actual.at(life.reset_ns - 1) > 0
        since_ns = _supplied_ns(case, view.load.node, life)
        if not lit or life.cause == "sleep" or since_ns + limit_ns >= case.end_ns:
            continue
        dark = [
            (max(start, since_ns) if life.cause == "supply" else start, end)
            for start, end, level in levels(actual, case.end_ns)
            if level <= 0 and end > since_ns and start < max(life.boot_end_ns, since_ns + 1)
        ]
        longest_ns, open_end = 0, False
        for start, end in dark:
            rightly = view.sources.ordered_off(start, start + limit_ns)
            longest_ns = max(longest_ns, end - start)
            open_end = open_end or end == case.end_ns
            if end - start > limit_ns and not rightly:
                over_ns = end - start - limit_ns
                text = f"was dark for {show_duration(end - start)} after the reset of node"
                text += f" {view.load.node}; allowed: {show_duration(limit_ns)}"
                at_ns = start + limit_ns
                found.append(
                    Verdict(view.name, "dark", Outcome.BROKEN, -over_ns, at_ns, over_ns, text)
                )
        if not open_end and not view.sources.ordered_off(life.reset_ns, since_ns + limit_ns):
            margin_ns = limit_ns - longest_ns
            found.append(Verdict(view.name, "dark", Outcome.KEPT, max(0, margin_ns)))
    return [worst(found)]


def _supplied_ns(case: Case, node: str, life: Life) -> int:
    """When a node may be held to its lamps in a life: at the reset, or when its supply is back."""
    if life.cause != "supply":
        return life.reset_ns
    lean = (to_ns for from_ns, to_ns in case.lean(node) if from_ns <= life.reset_ns < to_ns)
    return next(lean, min(life.back_ns, case.end_ns))
