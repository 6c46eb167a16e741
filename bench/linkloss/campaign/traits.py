"""What a case can show, told from the vehicle's description alone, without running it.

A load is shown something when its request or its local input changes while a fault is there that
can spoil it: "tail_left switched off during a cut". Cases with equal traits are alike, and a small
selection needs only one of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import NamedTuple

from linkloss.campaign.asked import Asked, fail_safe, holds, request_names
from linkloss.campaign.cases import AGAIN, CaseMaker
from linkloss.campaign.rotation import key_of
from linkloss.scenario import Scenario, TimedFault
from linkloss.vehicle.expression import Value, load_key
from linkloss.vehicle.loading import Vehicle

Trait = tuple[str, ...]
RULES = {"load": 1, "held": 1, "notice": 2, "never": 2, "input": 1}
"""Traits that stand for a rule that a case puts to the test, and how much of them names it."""


class Course(NamedTuple):
    """What a situation asks of the loads: at its beginning, and when which of them is asked for
    something else, as (ns, load, on or off); when a state of a load becomes forbidden, as (ns,
    load); and the inputs, as (ns, their values from there on), the first from before it begins.

    What the inputs ask for at that instant; delays, and signals of other nodes that a request
    depends on, are left out of account.
    """

    beginning: Mapping[str, str]
    changes: tuple[tuple[int, str, str], ...]
    forbidden: tuple[tuple[int, str], ...]
    inputs: tuple[tuple[int, Mapping[str, Value]], ...]


class Traits:
    """The traits of a vehicle's cases."""

    def __init__(self, maker: CaseMaker) -> None:
        self.maker = maker
        self.vehicle: Vehicle = maker.vehicle
        self.asks: Asked = maker.asks
        self._course = cache(self._course_of)
        self._spoils = maker.relevance.spoils

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
        """What the case can show, and which of it this kind of fault shows at its message or
        node.
        """
        if case.counted_as:
            yield ("fault", case.name)
            return
        if not case.faults:
            yield ("situation", case.situation)
            return
        key = key_of(case.faults[0].fault)
        for trait in self._of_faults(case):
            yield trait
            if trait[0] in RULES:
                yield ("rule", case.kinds, key.subject, *trait[: RULES[trait[0]]])
        if AGAIN in case.name.split("/"):
            yield ("rule", case.kinds, key.subject, AGAIN)

    def _of_faults(self, case: Scenario) -> Iterator[Trait]:
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
                # What an input at its own node asks for no lost message can take away.
                asker = "local" if self._local_at(case.situation, load, timed.at_ns) else asked
                yield ("held", load, asker, after[load], effect, length)
                if case.kinds == "drop" and length == "outage" and self._shows_loss(load, asker):
                    yield ("lost", load)
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

    def _local_at(self, situation: str, load: str, at_ns: int) -> bool:
        """Whether a load's own inputs ask for it just before an instant."""
        local = self.vehicle.loads[load].local
        steps = self._course(situation).inputs
        *_, values = (values for since_ns, values in steps if since_ns < at_ns)
        return local is not None and holds(local, values)

    def _shows_loss(self, load: str, asker: str) -> bool:
        """Whether a load has to leave its state when its link is lost, or to keep it on purpose."""
        table = self.vehicle.loads[load]
        state = table.asked_state if asker == "on" else "off"
        return asker != "local" and str(table.on_stale) != state

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
        before = beginning = self.asks.states(values, {})
        changes: list[tuple[int, str, str]] = []
        forbidden: list[tuple[int, str]] = []
        inputs: list[tuple[int, Mapping[str, Value]]] = [(-1, values)]
        for action in sorted(table.actions, key=lambda action: action.at):
            known = {**values, **_states(before)}
            values = values | action.set
            inputs.append((action.at, values))
            after = self.asks.states(values, before)
            now = {**values, **_states(after)}
            forbidden += [(action.at, load) for load in self._newly_forbidden(known, now)]
            changes += [
                (action.at, load, asked) for load, asked in after.items() if asked != before[load]
            ]
            before = after
        return Course(beginning, tuple(changes), tuple(forbidden), tuple(inputs))

    def _newly_forbidden(
        self, known: Mapping[str, Value], values: Mapping[str, Value]
    ) -> Iterator[str]:
        """The loads of which a condition of a rule 'never' begins to hold."""
        for name, load in self.vehicle.loads.items():
            for rule in load.never:
                if holds(rule.when, values) and not holds(rule.when, known):
                    yield name

    def asked_at(self, situation: str, at_ns: int) -> dict[str, str]:
        """What the loads are asked for just before an instant."""
        course = self._course(situation)
        found = dict(course.beginning)
        found |= {load: asked for change_ns, load, asked in course.changes if change_ns < at_ns}
        return found

    def hidden_ends(self) -> dict[str, tuple[str, ...]]:
        """The situations at whose end every load that they ask for over a link is in the state
        that it takes without one, and after a reset: nobody can tell there whether it came back.
        By situation, these loads.
        """
        found: dict[str, tuple[str, ...]] = {}
        for name in self.vehicle.situations:
            first = self.asked_first(name)
            changed = {load for _, load, _ in self.changes(name)}
            asked = [
                load
                for load, table in self.vehicle.loads.items()
                if request_names(table) and (load in changed or first[load] == "on")
            ]
            if asked and all(self._ends_hidden(name, load) for load in asked):
                found[name] = tuple(asked)
        return found

    def _ends_hidden(self, situation: str, load: str) -> bool:
        table = self.vehicle.loads[load]
        last = dict(self.asked_first(situation))
        last |= {name: asked for _, name, asked in self.changes(situation)}
        state = table.asked_state if last[load] == "on" else "off"
        return fail_safe(table) == {state}


def _states(asked: Mapping[str, str]) -> dict[str, Value]:
    """What loads are asked for, as the states that a condition may look at."""
    return {load_key(load): state for load, state in asked.items()}
