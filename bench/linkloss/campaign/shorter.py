"""What makes one scenario shorter than another, and the round figures that shrinking steps on."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import replace
from itertools import combinations
from typing import NamedTuple

from linkloss.scenario import Scenario, TimedFault

MS = 1_000_000
LENGTH_STEP_NS = 100 * MS
"""Lengths of scenarios count by this."""


class Rank(NamedTuple):
    """The order of "shorter", the first difference counts: faults, actions, values of inputs away
    from rest at the beginning or set by an action, time with a fault and length in ns, figures
    that it takes to write all times. Times count by the step of their ladder: what is a little
    longer and easier to read is no longer.
    """

    faults: int
    actions: int
    values: int
    faulty_ns: int
    lasts_ns: int
    figures: int


def rank(scenario: Scenario) -> Rank:
    """How short a trimmed scenario is."""
    end_ns = scenario.lasts_ns
    lasting = [timed for timed in scenario.faults if timed.fault.lasting]
    cleared = [timed.until_ns - timed.at_ns for timed in lasting if timed.until_ns is not None]
    open_ended = [end_ns - timed.at_ns for timed in lasting if timed.until_ns is None]
    faulty = [*map(stepped, cleared), *(rounded_up(ns, LENGTH_STEP_NS) for ns in open_ended)]
    return Rank(
        faults=len(scenario.faults),
        actions=len(scenario.actions),
        values=len(scenario.inputs) + sum(len(action.values) for action in scenario.actions),
        faulty_ns=sum(faulty),
        lasts_ns=rounded_up(end_ns, LENGTH_STEP_NS),
        figures=sum(map(figures, (end_ns, *starts(scenario), *cleared))),
    )


def trimmed(scenario: Scenario) -> Scenario:
    """The same run in fewer words: actions and faults in order of time, nothing that comes at or
    behind the end, no action that sets nothing, no clearing that does nothing, no input that is at
    rest anyway, no situation and no expectations.
    """
    end_ns, table = scenario.lasts_ns, scenario.vehicle.inputs
    actions = sorted(scenario.actions, key=lambda action: action.at_ns)
    faults = sorted(scenario.faults, key=lambda timed: timed.at_ns)
    return replace(
        scenario,
        situation="",
        inputs={
            name: value for name, value in scenario.inputs.items() if value != table[name].rest
        },
        actions=tuple(action for action in actions if action.at_ns < end_ns and action.values),
        faults=tuple(_trimmed(timed, end_ns) for timed in faults if timed.at_ns < end_ns),
        expectations=(),
        counted_as="",
    )


def _trimmed(timed: TimedFault, end_ns: int) -> TimedFault:
    clears = timed.fault.lasting and timed.until_ns is not None and timed.until_ns < end_ns
    return timed if clears else replace(timed, until_ns=None)


def content(scenario: Scenario) -> Hashable:
    """All that a run of a trimmed scenario depends on, its vehicle excepted."""
    return (
        tuple(sorted(scenario.inputs.items())),
        tuple((action.at_ns, tuple(action.values.items())) for action in scenario.actions),
        scenario.faults,
        scenario.lasts_ns,
        scenario.seed,
        tuple(scenario.clocks.items()),
        tuple(scenario.drifts.items()),
    )


def duration_ns(timed: TimedFault, end_ns: int) -> int:
    """How long a fault is there until the end of the run, in ns; 0 for one that is over at once."""
    if not timed.fault.lasting:
        return 0
    until_ns = end_ns if timed.until_ns is None else min(timed.until_ns, end_ns)
    return max(0, until_ns - timed.at_ns)


def starts(scenario: Scenario) -> list[int]:
    """The instants at which something begins, in ns and in order, each of them once."""
    found = {timed.at_ns for timed in scenario.faults}
    return sorted(found | {action.at_ns for action in scenario.actions})


def moved(scenario: Scenario, where: Callable[[int], bool], by_ns: int) -> Scenario:
    """The scenario with the actions and faults that begin at certain instants moved by a time in
    ns; a fault keeps its duration.
    """
    return replace(
        scenario,
        actions=tuple(
            replace(action, at_ns=action.at_ns + by_ns) if where(action.at_ns) else action
            for action in scenario.actions
        ),
        faults=tuple(
            _moved(timed, by_ns) if where(timed.at_ns) else timed for timed in scenario.faults
        ),
    )


def _moved(timed: TimedFault, by_ns: int) -> TimedFault:
    until_ns = None if timed.until_ns is None else timed.until_ns + by_ns
    return replace(timed, at_ns=timed.at_ns + by_ns, until_ns=until_ns)


def edges(scenario: Scenario) -> list[int]:
    """The instants at which something begins or clears, in ns and in order, each of them once."""
    clears = {timed.until_ns for timed in scenario.faults if timed.until_ns is not None}
    return sorted(clears.union(starts(scenario)))


def pulled_in(scenario: Scenario, from_ns: int, by_ns: int) -> Scenario:
    """The scenario with all that begins or clears at or behind an instant, and its end, earlier."""

    def earlier(at_ns: int) -> int:
        return at_ns - by_ns if at_ns >= from_ns else at_ns

    return replace(
        scenario,
        actions=tuple(replace(action, at_ns=earlier(action.at_ns)) for action in scenario.actions),
        faults=tuple(
            replace(
                timed,
                at_ns=earlier(timed.at_ns),
                until_ns=None if timed.until_ns is None else earlier(timed.until_ns),
            )
            for timed in scenario.faults
        ),
        lasts_ns=scenario.lasts_ns - by_ns,
    )


def same_order(one: Scenario, other: Scenario) -> bool:
    """Whether what begins and clears in two scenarios of the same parts does so in one order, and
    together only what was together.
    """
    first, second = _all_edges(one), _all_edges(other)
    return all(
        _sign(first[i] - first[j]) == _sign(second[i] - second[j])
        for i, j in combinations(range(len(first)), 2)
    )


def _all_edges(scenario: Scenario) -> list[int]:
    clears = [timed.until_ns for timed in scenario.faults if timed.until_ns is not None]
    applies = [timed.at_ns for timed in scenario.faults]
    return [*applies, *clears, *(action.at_ns for action in scenario.actions)]


def _sign(number: int) -> int:
    return (number > 0) - (number < 0)


# ---- round figures ----


def rounded_up(ns: int, unit_ns: int) -> int:
    """The next whole number of units."""
    return -(-ns // unit_ns) * unit_ns


def ladder(below_ns: int, *, from_ns: int = MS, figures: int = 2) -> list[int]:
    """The round durations below one, from ``from_ns`` (a power of ten) on: with two figures
    1, 2, 3 ... 99, 100, 110, 120 ... ms.
    """
    found: list[int] = []
    step_ns, at_ns = from_ns, from_ns
    while at_ns < below_ns:
        found.append(at_ns)
        if at_ns >= step_ns * 10**figures:
            step_ns *= 10
        at_ns += step_ns
    return found


def stepped(ns: int) -> int:
    """A duration rounded up to two figures, or to whole ms."""
    unit_ns = MS
    while ns > 100 * unit_ns:
        unit_ns *= 10
    return rounded_up(ns, unit_ns)


def figures(ns: int) -> int:
    """How many figures it takes to write a time: 1 for 300 ms or 2 s, 3 for 1.25 s."""
    return len(str(ns).rstrip("0"))
