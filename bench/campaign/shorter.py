"""What makes one scenario shorter than another, and the round figures that shrinking steps on.

Fewer faults come first, then fewer driver actions, then less time with a fault, then a shorter
run, then times that are easier to read.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import replace

from bench.scenario import Scenario, TimedFault

MS = 1_000_000
_FINE = 100
"""Up to so many ms, durations of faults count by the ms, above by 10 ms."""
LENGTH_STEP_NS = 100 * MS
"""Lengths of scenarios count by this."""


def trimmed(scenario: Scenario) -> Scenario:
    """The same run with fewer words: nothing that comes at or behind the end, no clearing that
    does nothing, no input that is at rest anyway, no expectations.
    """
    end_ns, rest = scenario.lasts_ns, scenario.vehicle.inputs
    return replace(
        scenario,
        situation="",
        inputs={
            name: value
            for name, value in scenario.inputs.items()
            if name not in rest or value != rest[name].rest
        },
        actions=tuple(action for action in scenario.actions if action.at_ns < end_ns),
        faults=tuple(_trimmed(timed, end_ns) for timed in scenario.faults if timed.at_ns < end_ns),
        expectations=(),
    )


def _trimmed(timed: TimedFault, end_ns: int) -> TimedFault:
    clears = timed.fault.lasting and timed.until_ns is not None and timed.until_ns < end_ns
    return timed if clears else replace(timed, until_ns=None)


def content(scenario: Scenario) -> Hashable:
    """All that a run of the scenario depends on, its vehicle excepted."""
    return (
        tuple(sorted(scenario.inputs.items())),
        tuple((action.at_ns, tuple(action.values.items())) for action in scenario.actions),
        scenario.faults,
        scenario.lasts_ns,
        scenario.seed,
    )


def duration_ns(timed: TimedFault, end_ns: int) -> int:
    """How long a fault is there until the end of the run, in ns; 0 for one that is over at once."""
    if not timed.fault.lasting:
        return 0
    until_ns = end_ns if timed.until_ns is None else min(timed.until_ns, end_ns)
    return max(0, until_ns - timed.at_ns)


def rank(scenario: Scenario) -> tuple[int, int, int, int, int]:
    """The order of "shorter": faults, actions, total duration of faults in ns (each rounded up to
    its step), length in ns (rounded up to its step), figures needed to write all times.
    """
    end_ns = scenario.lasts_ns
    lasting = [duration_ns(timed, end_ns) for timed in scenario.faults]
    cleared = [
        duration_ns(timed, end_ns) for timed in scenario.faults if timed.until_ns is not None
    ]
    times = [end_ns, *starts(scenario), *cleared]
    return (
        len(scenario.faults),
        len(scenario.actions),
        sum(map(stepped, lasting)),
        rounded_up(end_ns, LENGTH_STEP_NS),
        sum(map(figures, times)),
    )


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


# ---- round figures ----


def rounded_up(ns: int, unit_ns: int) -> int:
    """The next whole number of units."""
    return -(-ns // unit_ns) * unit_ns


def step_ns(place: int) -> int:
    """The ladder of durations: 1, 2, 3 ... 100, 110, 120 ... ms; place 0 is 0."""
    return (place if place <= _FINE else _FINE + 10 * (place - _FINE)) * MS


def steps_below(ns: int) -> int:
    """The highest place of the ladder that is less than a duration."""
    place_ms = (ns - 1) // MS
    return place_ms if place_ms <= _FINE else _FINE + (place_ms - _FINE) // 10


def stepped(ns: int) -> int:
    """A duration rounded up to the ladder."""
    return step_ns(steps_below(ns) + 1) if ns > 0 else 0


def figures(ns: int) -> int:
    """How many figures it takes to write a time: 1 for 300 ms or 2 s, 3 for 1.25 s."""
    return len(str(ns).rstrip("0"))
