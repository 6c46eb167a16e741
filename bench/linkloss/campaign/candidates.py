"""Scenarios that differ from one in one thing: something less, something rounder."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TypeVar

from linkloss.campaign.shorter import MS, ladder, moved, starts
from linkloss.scenario import Scenario, TimedFault

_Part = TypeVar("_Part")
ROUND_NS = (1_000 * MS, 100 * MS, 10 * MS, MS)
"""What times are rounded to, the roundest first."""
_SHORTEST_GAP_NS = 10 * MS
"""Events do not come closer than this to one another: their order is part of the story."""


def without_faults(scenario: Scenario, places: range) -> Scenario:
    """The scenario without some of its faults, counted from 0."""
    return replace(scenario, faults=_without(scenario.faults, places))


def without_actions(scenario: Scenario, places: range) -> Scenario:
    """The scenario without some of its actions, counted from 0."""
    return replace(scenario, actions=_without(scenario.actions, places))


def without_inputs(scenario: Scenario, places: range) -> Scenario:
    """Some inputs are at rest at the beginning."""
    kept = _without(tuple(scenario.inputs), places)
    return replace(scenario, inputs={name: scenario.inputs[name] for name in kept})


def _without(parts: tuple[_Part, ...], places: range) -> tuple[_Part, ...]:
    return tuple(part for index, part in enumerate(parts) if index not in places)


def joint_values(scenario: Scenario) -> list[tuple[int, str]]:
    """Action and input of each value that an action sets together with others."""
    return [
        (index, name)
        for index, action in enumerate(scenario.actions)
        for name in action.values
        if len(action.values) > 1
    ]


def without_values(scenario: Scenario, places: range) -> Scenario:
    """Some of the joint values are not set."""
    gone = {place for number, place in enumerate(joint_values(scenario)) if number in places}
    actions = tuple(
        replace(
            action,
            values={
                name: value for name, value in action.values.items() if (index, name) not in gone
            },
        )
        for index, action in enumerate(scenario.actions)
    )
    return replace(scenario, actions=actions)


def with_fault(scenario: Scenario, index: int, timed: TimedFault) -> Scenario:
    """The scenario with another fault in place of one."""
    faults = (*scenario.faults[:index], timed, *scenario.faults[index + 1 :])
    return replace(scenario, faults=faults)


def gaps(below_ns: int) -> list[int]:
    """How long to wait for the next event: 10, 20 ... 100, 200 ... ms."""
    return ladder(below_ns, from_ns=_SHORTEST_GAP_NS, figures=1)


def _nearest(ns: int, unit_ns: int) -> int:
    return (ns + unit_ns // 2) // unit_ns * unit_ns


def _round_neighbours(ns: int) -> Iterator[int]:
    """Round times around one, the roundest first, the nearest before the one on the other side."""
    for unit_ns in ROUND_NS:
        near_ns = _nearest(ns, unit_ns)
        other_ns = near_ns + (unit_ns if near_ns < ns else -unit_ns)
        yield from (time_ns for time_ns in (near_ns, other_ns) if time_ns > 0)


def rounded_start(scenario: Scenario, number: int) -> Iterator[Scenario]:
    """What begins at one instant, at rounder ones instead."""
    at_ns = starts(scenario)[number]
    for near_ns in _round_neighbours(at_ns):
        yield moved(scenario, lambda start_ns: start_ns == at_ns, near_ns - at_ns)


def rounded_duration(scenario: Scenario, index: int) -> Iterator[Scenario]:
    """A fault that clears, with rounder durations instead."""
    timed = scenario.faults[index]
    if timed.until_ns is not None:
        for near_ns in _round_neighbours(timed.until_ns - timed.at_ns):
            yield with_fault(scenario, index, replace(timed, until_ns=timed.at_ns + near_ns))


def all_rounded(scenario: Scenario, unit_ns: int) -> Scenario:
    """Every instant at which something begins, rounded to the nearest unit but never to zero."""

    def near(at_ns: int) -> int:
        return _nearest(at_ns, unit_ns) or at_ns

    faults = tuple(
        replace(
            timed,
            at_ns=near(timed.at_ns),
            until_ns=None
            if timed.until_ns is None
            else timed.until_ns + near(timed.at_ns) - timed.at_ns,
        )
        for timed in scenario.faults
    )
    actions = tuple(replace(action, at_ns=near(action.at_ns)) for action in scenario.actions)
    return replace(scenario, faults=faults, actions=actions)
