"""How soon a load that was on is on again once its supply is back."""

from __future__ import annotations

from collections.abc import Iterator

from linkloss.judge.case import Case
from linkloss.judge.loads import LoadView
from linkloss.judge.states import FLASH, ON, levels
from linkloss.judge.supply import merged
from linkloss.judge.verdict import Outcome, Verdict, worst
from linkloss.model.units import show_duration


def judge_back(case: Case, view: LoadView) -> list[Verdict]:
    """The rule *back*: a load that was on when its supply failed, and that nobody has asked to be
    off since, is on again ``back_within`` after the supply is in range, at the latest.

    Exercised only by a load that was off meanwhile, and not where its own rules then demand that
    it is off: what asks for it is not back. Nor where a fault stopped or restarted its node
    meanwhile. Supply that fails again within that time
    counts as one failure.
    """
    limit_ns = view.load.back_within
    if limit_ns is None:
        return []
    found = [Verdict(view.name, "back", Outcome.NOT_EXERCISED)]
    for from_ns, to_ns in merged(case.lean(view.load.node), limit_ns):
        if from_ns > 0 and from_ns >= case.start_ns and to_ns + limit_ns < case.end_ns:
            found += _judge_span(case, view, from_ns, to_ns, limit_ns)
    return [worst(found)]


def _judge_span(
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
    for start_ns, _, level in levels(actual, case.end_ns, from_ns):
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
    text = f"was off {show_duration(limit_ns)} after its supply was back;"
    text += f" late by {show_duration(wrong_ns)}"
    node = view.load.node
    yield Verdict(view.name, "back", Outcome.BROKEN, -wrong_ns, deadline_ns, wrong_ns, text, node)


def _out_of_service(case: Case, node: str, from_ns: int, to_ns: int) -> bool:
    """Whether a node was stopped, or reset for another reason than its supply, within a span."""
    story = case.lives[node]
    return any(hang.from_ns < to_ns and hang.to_ns > from_ns for hang in story.hangs) or any(
        life.cause != "supply" and from_ns < life.boot_end_ns and life.reset_ns < to_ns
        for life in story.lives
    )
