"""What makes one scenario shorter than another; scenarios with one thing less or rounder; weaker
faults in place of a fault.

Does it take the fault as it is to break the rule? :func:`weaker` offers:

slow_boot, hang          -> reset
cut in mid cable         -> unplug of one node beside it
corrupt, alter, freeze   -> drop: only one receiver misses the message
mute                     -> drop: only one receiver misses one of the node's messages
again and again, n times -> fewer times, once
chance, odd figures      -> the fault's defaults

A cut at the end of the cable stays: it has the same effect as unplugging the last node.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple, TypeVar

from linkloss.faults.base import Fault
from linkloss.faults.catalogue import FaultError, make_fault
from linkloss.faults.frame_faults import requests
from linkloss.scenario import Scenario, TimedFault
from linkloss.vehicle.loading import Vehicle

MS = 1_000_000
LENGTH_STEP_NS = 100 * MS
"""Lengths of scenarios count in steps of this."""


class Rank(NamedTuple):
    """The order of "shorter"; the first difference decides. It compares the number of faults, of
    actions, of values of inputs away from rest at the beginning or set by an action, the time with
    a fault and the length in ns, and the number of figures in all times. Times count in the steps
    of their ladder, so one that is slightly longer but easier to read does not count as longer.
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
    after the end, no action that sets nothing, no clearing that does nothing, no input that is at
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
    """Everything that a run of a trimmed scenario depends on, except its vehicle."""
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
    """How long a fault lasts within the run, in ns; 0 for a momentary one."""
    if not timed.fault.lasting:
        return 0
    until_ns = end_ns if timed.until_ns is None else min(timed.until_ns, end_ns)
    return max(0, until_ns - timed.at_ns)


def starts(scenario: Scenario) -> list[int]:
    """The instants at which something begins, in ns and in order, each once."""
    found = {timed.at_ns for timed in scenario.faults}
    return sorted(found | {action.at_ns for action in scenario.actions})


def edges(scenario: Scenario) -> list[int]:
    """The instants at which something begins or clears, in ns and in order, each once."""
    clears = {timed.until_ns for timed in scenario.faults if timed.until_ns is not None}
    return sorted(clears.union(starts(scenario)))


def retimed(
    scenario: Scenario, begins: Callable[[int], int], clears: Callable[[int], int] | None = None
) -> Scenario:
    """The scenario with its faults and actions at other instants. A fault keeps its duration unless
    ``clears`` gives other instants for its end.
    """

    def other(timed: TimedFault) -> TimedFault:
        at_ns, until_ns = begins(timed.at_ns), timed.until_ns
        if until_ns is not None:
            until_ns = until_ns + at_ns - timed.at_ns if clears is None else clears(until_ns)
        return replace(timed, at_ns=at_ns, until_ns=until_ns)

    return replace(
        scenario,
        actions=tuple(replace(action, at_ns=begins(action.at_ns)) for action in scenario.actions),
        faults=tuple(map(other, scenario.faults)),
    )


def pulled_in(scenario: Scenario, from_ns: int, by_ns: int) -> Scenario:
    """The scenario with its end, and all that begins or clears at or after an instant, earlier."""

    def earlier(at_ns: int) -> int:
        return at_ns - by_ns if at_ns >= from_ns else at_ns

    moved = retimed(scenario, earlier, earlier)
    return replace(moved, lasts_ns=scenario.lasts_ns - by_ns)


def same_order(one: Scenario, other: Scenario) -> bool:
    """Whether everything in two scenarios with the same parts begins and clears in the same order,
    and only together where it was together before.
    """
    return _places(one) == _places(other)


def _places(scenario: Scenario) -> list[int]:
    """For each begin and each clearing, the index of its instant among all instants."""
    order = edges(scenario)
    clears = [timed.until_ns for timed in scenario.faults if timed.until_ns is not None]
    begins = [timed.at_ns for timed in scenario.faults]
    begins += [action.at_ns for action in scenario.actions]
    return [order.index(at_ns) for at_ns in (*begins, *clears)]


# ---- round figures ----


def rounded_up(ns: int, unit_ns: int) -> int:
    """The next whole number of units."""
    return -(-ns // unit_ns) * unit_ns


def ladder(below_ns: int, *, from_ns: int = MS, figures: int = 2) -> list[int]:
    """The round durations below a limit, from ``from_ns`` (a power of ten) up: with two figures
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


_Part = TypeVar("_Part")
ROUND_NS = (1_000 * MS, 100 * MS, 10 * MS, MS)
"""What times are rounded to, the roundest first."""
_SHORTEST_GAP_NS = 10 * MS
"""Events are not moved closer together than this: their order is part of the story."""


def without_faults(scenario: Scenario, places: range) -> Scenario:
    """The scenario without some of its faults, counted from 0."""
    return replace(scenario, faults=_without(scenario.faults, places))


def without_actions(scenario: Scenario, places: range) -> Scenario:
    """The scenario without some of its actions, counted from 0."""
    return replace(scenario, actions=_without(scenario.actions, places))


def without_inputs(scenario: Scenario, places: range) -> Scenario:
    """The scenario with some inputs at rest at the beginning, counted from 0."""
    return replace(scenario, inputs=dict(_without(tuple(scenario.inputs.items()), places)))


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
    """The scenario without some of its joint values, counted from 0."""
    gone = {place for number, place in enumerate(joint_values(scenario)) if number in places}
    left = [
        {name: value for name, value in action.values.items() if (index, name) not in gone}
        for index, action in enumerate(scenario.actions)
    ]
    actions = zip(scenario.actions, left, strict=True)
    return replace(scenario, actions=tuple(replace(a, values=values) for a, values in actions))


def with_fault(scenario: Scenario, index: int, timed: TimedFault) -> Scenario:
    """The scenario with another fault in place of one."""
    faults = (*scenario.faults[:index], timed, *scenario.faults[index + 1 :])
    return replace(scenario, faults=faults)


def gaps(below_ns: int) -> list[int]:
    """The times to wait for the next event, in ns: 10, 20 ... 100, 200 ... ms."""
    return ladder(below_ns, from_ns=_SHORTEST_GAP_NS, figures=1)


def _nearest(ns: int, unit_ns: int) -> int:
    return (ns + unit_ns // 2) // unit_ns * unit_ns


def _round_neighbours(ns: int) -> Iterator[int]:
    """Round times around one, the roundest first; of each unit the nearest, then the one on the
    other side.
    """
    for unit_ns in ROUND_NS:
        near_ns = _nearest(ns, unit_ns)
        other_ns = near_ns + (unit_ns if near_ns < ns else -unit_ns)
        yield from (time_ns for time_ns in (near_ns, other_ns) if time_ns > 0)


def rounded_start(scenario: Scenario, number: int) -> Iterator[Scenario]:
    """The scenario with all that begins at one instant at rounder ones instead."""
    at_ns = starts(scenario)[number]
    for near_ns in _round_neighbours(at_ns):
        yield retimed(scenario, partial(_instead, at_ns, near_ns))


def _instead(known_ns: int, near_ns: int, at_ns: int) -> int:
    return near_ns if at_ns == known_ns else at_ns


def rounded_duration(scenario: Scenario, index: int) -> Iterator[Scenario]:
    """The scenario with rounder durations for a fault that clears."""
    timed = scenario.faults[index]
    if timed.until_ns is not None:
        for near_ns in _round_neighbours(timed.until_ns - timed.at_ns):
            yield with_fault(scenario, index, replace(timed, until_ns=timed.at_ns + near_ns))


def all_rounded(scenario: Scenario, unit_ns: int) -> Scenario:
    """The scenario with every begin rounded to the nearest unit, but never to zero."""
    return retimed(scenario, lambda at_ns: _nearest(at_ns, unit_ns) or at_ns)


_TIMES = ("count", "times")
"""Parameters that say how often. A fault without them does more, so they stay, with the smallest
possible values."""
_PLACES = ("node", "input", "message", "receiver", "identifier", "period")
"""Parameters that say where and which, or that only make sense together with others."""


def weaker(fault: Fault, vehicle: Vehicle) -> Iterator[Fault]:
    """The faults that are worth trying instead of a fault, the weakest first."""
    for kind, parameters in _kinds(fault, vehicle):
        try:
            yield make_fault(kind, parameters, vehicle)
        except FaultError:
            continue  # the weaker kind does not fit this vehicle
    for changes in _parameters(fault):
        changed = type(fault).model_validate({**dict(fault), **changes})
        if changed != fault and not changed.problem(vehicle):
            yield changed


def as_unplugged(fault: Fault, vehicle: Vehicle) -> Fault:
    """A cut at the end of the cable as the equivalent unplugging of the node there; any other fault
    as it is.
    """
    if fault.kind == "cut":
        pair = dict(fault)["between"]
        cable = vehicle.file.bus[vehicle.between(*pair)].cable
        for node in (cable[0], cable[-1]):
            if node in pair:
                return make_fault("unplug", _plug(node, pair, vehicle), vehicle)
    return fault


def _plug(node: str, pair: Sequence[str], vehicle: Vehicle) -> dict[str, Any]:
    """The parameters of the plug of a node of a stretch of cable."""
    bus = vehicle.side(node, vehicle.between(*pair))
    return {"node": node} if bus is None else {"node": node, "bus": bus}


def _kinds(fault: Fault, vehicle: Vehicle) -> Iterator[tuple[str, dict[str, Any]]]:
    told, heard = dict(fault), requests(vehicle)
    if fault.kind in ("slow_boot", "hang"):
        yield "reset", told
    elif fault.kind == "cut":
        cable = vehicle.file.bus[vehicle.between(*told["between"])].cable
        ends = {cable[0], cable[-1]}
        if ends.isdisjoint(told["between"]):
            pair = told["between"]
            yield from (("unplug", _plug(node, pair, vehicle)) for node in pair)
    elif fault.kind in ("corrupt", "alter", "freeze"):
        yield from (("drop", {**told, "receiver": node}) for node in heard.get(told["message"], ()))
    elif fault.kind == "mute":
        for message, nodes in heard.items():
            info = vehicle.messages[message]
            if fault.nodes() == info.senders and info.bus in fault.strikes(vehicle):
                yield from (("drop", {"message": message, "receiver": node}) for node in nodes)


def _parameters(fault: Fault) -> Iterator[Mapping[str, Any]]:
    fields = type(fault).model_fields
    if getattr(fault, "period", None) is not None:
        yield {"period": None, "times": None}
    for name, value in fault:
        if fields[name].is_required() or value == fields[name].default:
            continue
        if name in _TIMES:
            yield from ({name: less} for less in _fewer(value))
        elif name not in _PLACES:
            yield {name: fields[name].default}


def _fewer(times: int) -> list[int]:
    return sorted({less for less in (1, 2, 3, times // 2, times - 1) if 0 < less < times})
