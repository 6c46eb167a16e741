"""*Never* rules: a state that a load may not be in while a condition holds."""

from __future__ import annotations

from bench.judge.case import Case
from bench.judge.masks import bit, level_bit
from bench.judge.paint import levels, shown
from bench.judge.verdict import Outcome, Verdict, worst
from bench.model.units import show_duration
from bench.model.vehicle import LoadTable, NeverRule


def judge_never(case: Case, name: str, load: LoadTable) -> list[Verdict]:
    """One verdict for each never rule of a load."""
    return [
        _judge_rule(case, name, rule, index, load.node) for index, rule in enumerate(load.never)
    ]


def rule_name(index: int) -> str:
    """The name of a load's never rule: ``never``, ``never 2``, ..."""
    return "never" if index == 0 else f"never {index + 1}"


def _judge_rule(case: Case, name: str, rule: NeverRule, index: int, load_node: str) -> Verdict:
    """The condition is taken as it truly is, whatever a node knows of it; only under a fault of
    an input as the nodes see that input.

    ``within`` is the time to leave the state once the condition holds; entering the state while
    it holds is broken at once, but for a relay that was already about to move. The rule is
    exercised when the load was in the state as the condition began to hold and had to leave it,
    within the recording.
    """
    called = rule_name(index)
    holds = case.condition(rule.when, load_node if case.pins_at_fault else None).changes()
    ends = [at_ns for at_ns, _ in holds[1:]] + [case.end_ns]
    found = [Verdict(name, called, Outcome.NOT_EXERCISED)]
    for (from_ns, value), to_ns in zip(holds, ends, strict=True):
        if value and to_ns > case.start_ns:
            found += _judge_span(case, name, called, rule, from_ns, to_ns)
    return worst(found)


def _judge_span(
    case: Case, name: str, called: str, rule: NeverRule, from_ns: int, to_ns: int
) -> list[Verdict]:
    actual = case.actual(name)
    state = bit(rule.state)
    before = {shown(actual, from_ns - 1), shown(case.driven(name), from_ns - 1)}
    was_in = from_ns > 0 and state in before
    moved_ns = from_ns + case.vehicle.loads[name].switching_ns
    deadline_ns = from_ns + rule.within
    inside: list[tuple[int, int]] = []
    for start, end, level in levels(actual, to_ns, from_ns):
        if level_bit(level) != state or end <= case.start_ns:
            continue
        if inside and inside[-1][1] == start:  # another level of the same state
            start = inside.pop()[0]
        inside.append((max(start, from_ns), end))
    found = []
    for start, end in inside:
        leaving = was_in and start <= moved_ns
        wrong_ns = end - (deadline_ns if leaving else start)
        if wrong_ns > 0:
            at_ns = deadline_ns if leaving else start
            text = (
                f"was {rule.state} while {rule.when.text}, for {show_duration(end - start)};"
                f" allowed: {show_duration(rule.within if leaving else 0)}"
            )
            found.append(Verdict(name, called, Outcome.BROKEN, -wrong_ns, at_ns, wrong_ns, text))
        elif leaving and deadline_ns < to_ns:
            found.append(Verdict(name, called, Outcome.KEPT, deadline_ns - end))
    return found
