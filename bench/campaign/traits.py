"""What a case can show, told from the vehicle's description alone, without running it.

A load is shown something when its request or its local input changes while a fault is there that
can spoil it: "tail_left switched off during a cut". Cases with equal traits are alike, and a small
selection needs only one of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import NamedTuple

from bench.campaign.cases import CaseMaker
from bench.model.expression import Condition, Value
from bench.model.loading import Vehicle
from bench.model.vehicle import RequestTable
from bench.scenario import Scenario, TimedFault

Trait = tuple[str, ...]


class Course(NamedTuple):
    """What a situation asks of the loads: at its beginning, and when which of them is asked for
    something else, as (ns, load, on or off); and when a state of a load becomes forbidden, as
    (ns, load).

    What the inputs ask for at that instant; delays, and signals of other nodes that a request
    depends on, are left out of account.
    """

    beginning: Mapping[str, str]
    changes: tuple[tuple[int, str, str], ...]
    forbidden: tuple[tuple[int, str], ...]


class Traits:
    """The traits of a vehicle's cases."""

    def __init__(self, maker: CaseMaker) -> None:
        self.maker = maker
        self.vehicle: Vehicle = maker.vehicle
        self._course = cache(self._course_of)
        self._spoils = cache(maker.relevance.spoils)

    def of(self, case: Scenario) -> tuple[Trait, ...]:
        """The traits of a case, in a fixed order."""
        return tuple(dict.fromkeys(self._all(case)))

    def asked_first(self, situation: str) -> Mapping[str, str]:
        """What a situation asks of each load at its beginning, on or off."""
        return self._course(situation).beginning

    def changes(self, situation: str) -> Sequence[tuple[int, str, str]]:
        """When a situation asks something else of a load, as (ns, load, on or off)."""
        return self._course(situation).changes

    def _all(self, case: Scenario) -> Iterator[Trait]:
        if not case.faults:
            yield ("situation", case.situation)
            return
        yield ("fault", "+".join(timed.fault.label() for timed in case.faults))
        timed = case.faults[0]
        length = self._length(timed)
        yield ("length", case.kinds, length)
        yield from self._of_changes(case, timed, length)
        before = self.asked_at(case.situation, timed.at_ns)
        after = self.asked_at(case.situation, timed.until_ns or timed.at_ns)
        for load, asked in before.items():
            if self._spoils(timed.fault, load):
                effect = self._effect(case, load)
                yield ("held", load, asked, after[load], effect, length)
        for name, notice in self.vehicle.notices.items():
            if notice.lost is not None and notice.lost in timed.fault.nodes():
                yield ("notice", name, case.kinds, length)
        for at_ns, load in self._course(case.situation).forbidden:
            if self._during(timed, at_ns) and self._spoils(timed.fault, load):
                # What a false message says then depends on the instant at which it became false.
                yield ("never", load, case.name if timed.fault.content else case.kinds)
        for at_ns, name in self._moves(case.situation):
            if getattr(timed.fault, "input", None) == name and self._during(timed, at_ns):
                yield ("input", name, case.kinds)

    def _of_changes(self, case: Scenario, timed: TimedFault, length: str) -> Iterator[Trait]:
        """What changes for the loads while the fault is there."""
        for at_ns, load, asked in self._course(case.situation).changes:
            if not self._during(timed, at_ns):
                continue
            if self._spoils(timed.fault, load):
                yield ("load", load, asked, case.kinds)
                yield ("load", load, asked, timed.fault.group, length)

    def _effect(self, case: Scenario, load: str) -> str:
        """What the faults of a case have in common with others: what strikes a node is of its own
        kind each, at the load's node or elsewhere; of the rest those are alike that silence a
        link, and those that spoil its content.
        """
        fault = case.faults[0].fault
        if len(case.faults) > 1 or fault.group == "node":
            here = self.vehicle.loads[load].node in fault.nodes()
            return f"{case.kinds} {'here' if here else 'elsewhere'}"
        return "content" if fault.content else fault.group

    def _length(self, timed: TimedFault) -> str:
        if timed.until_ns is None:
            return "once"
        lasts_ns = timed.until_ns - timed.at_ns
        return "brief" if lasts_ns <= self.maker.spans.brief else "outage"

    def _during(self, timed: TimedFault, at_ns: int) -> bool:
        """Whether a change falls into a fault; into a momentary one while it is got over."""
        took = self.maker.spans
        until_ns = timed.until_ns or timed.at_ns + 2 * took.period + took.brief
        return timed.at_ns - took.period <= at_ns <= until_ns

    def _moves(self, situation: str) -> Iterator[tuple[int, str]]:
        for action in self.vehicle.situations[situation].actions:
            for name in action.set:
                yield action.at, name

    def _course_of(self, situation: str) -> Course:
        table = self.vehicle.situations[situation]
        values: dict[str, Value] = {
            name: entry.rest for name, entry in self.vehicle.inputs.items()
        } | dict(table.inputs)
        before = beginning = self._asked(values, {})
        changes: list[tuple[int, str, str]] = []
        forbidden: list[tuple[int, str]] = []
        for action in sorted(table.actions, key=lambda action: action.at):
            known = values
            values = values | action.set
            forbidden += [(action.at, load) for load in self._newly_forbidden(known, values)]
            after = self._asked(values, before)
            changes += [
                (action.at, load, asked) for load, asked in after.items() if asked != before[load]
            ]
            before = after
        return Course(beginning, tuple(changes), tuple(forbidden))

    def _newly_forbidden(
        self, known: Mapping[str, Value], values: Mapping[str, Value]
    ) -> Iterator[str]:
        """The loads of which a condition of a rule 'never' begins to hold."""
        for name, load in self.vehicle.loads.items():
            for rule in load.never:
                if _holds(rule.when, values) and not _holds(rule.when, known):
                    yield name

    def asked_at(self, situation: str, at_ns: int) -> dict[str, str]:
        """What the loads are asked for just before an instant."""
        course = self._course(situation)
        found = dict(course.beginning)
        found |= {load: asked for change_ns, load, asked in course.changes if change_ns < at_ns}
        return found

    def _asked(self, values: Mapping[str, Value], before: Mapping[str, str]) -> dict[str, str]:
        """What the inputs ask of every load, on or off; ``before`` is what they asked for last."""
        found: dict[str, str] = {}
        for name, load in self.vehicle.loads.items():
            on = load.local is not None and _holds(load.local, values)
            table = self.vehicle.requests.get(load.request or "")
            if table is not None and not on:
                on = _requested(table, values, was_on=before.get(name) == "on")
            found[name] = "on" if on else "off"
        return found


def _requested(table: RequestTable, values: Mapping[str, Value], *, was_on: bool) -> bool:
    """Whether a request is on for these values, with its hysteresis."""
    if table.only_while is not None and not _holds(table.only_while, values):
        return False
    if was_on and table.until is not None:
        return not _holds(table.until, values)
    return _holds(table.follows, values)


def _holds(condition: Condition, values: Mapping[str, Value]) -> bool:
    """Whether a condition holds; signals of other nodes count as zero."""
    known = {name: values.get(name, 0.0) for name in condition.names}
    return condition(known)
