"""Which cases a check runs: every situation, without a fault and with every fault that applies,
at instants around what the driver does.

    driver       ____A_________            an action, such as lights off
    across     [-----------------]         from before it until every fail-safe deadline is over
    brief      [--]                        shorter than any stale time
    at once    |   |                       momentary faults, just before and just behind it

The action falls into the fault, so a load that only holds its last state shows whether it
follows again afterwards. A fault is tried around actions that it can spoil, and for a while around
one action of every other situation.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count

from bench.campaign.cases import (
    MS,
    NO_FAULT,
    CaseMaker,
    in_order,
    instants,
    spans,
    thinned,
    wiring_instances,
)
from bench.campaign.electrical import electrical_cases
from bench.faults.base import Fault
from bench.faults.catalogue import catalogue, make_fault
from bench.model.loading import Vehicle
from bench.model.vehicle import SituationTable
from bench.scenario import Scenario, TimedFault

__all__ = ["NO_FAULT", "plan", "spans"]

MOST_ACTIONS = 2
"""Actions of one situation around which a fault is tried that is no fault of the cable."""

WIRING_SITUATIONS = 2
"""In so many situations each fault of the wiring is tried."""

WIRING_LEFT_OUT = "Faults of the wiring are left to the depth 'full'."
"""What the other depths say of them."""


def plan(vehicle: Vehicle, seed: int = 0, *, wiring: bool = True) -> list[Scenario]:
    """All cases, situation by situation, each in the order of the instant at which its first
    fault comes: cases that share a beginning stand together. Without ``wiring`` those whose fault
    is one of the wiring are left out.
    """
    planner = _Planner(vehicle, seed)
    more = planner.wiring() if wiring else ()
    return in_order(vehicle, [*planner.cases(), *more])


class _Planner:
    def __init__(self, vehicle: Vehicle, seed: int) -> None:
        self.vehicle = vehicle
        self.maker = CaseMaker(vehicle, seed)
        self.spans = self.maker.spans
        self.relevance = self.maker.relevance
        self.turn = count()

    def cases(self) -> Iterator[Scenario]:
        for name in self.vehicle.situations:
            yield self.maker.case(name, ())
        for form in catalogue().values():
            if form.meets_others():
                for fault in form.every(self.vehicle):
                    yield from self._single(fault)
        yield from self._unplugged_resets()
        yield from self._stuck_notices()
        yield from self._returns()
        yield from electrical_cases(self.maker)

    def _single(self, fault: Fault) -> Iterator[Scenario]:
        for name, situation in self.vehicle.situations.items():
            spoilt = self._spoilt(fault, situation)
            for index, at_ns in enumerate(spoilt):
                last = index == len(spoilt) - 1
                for start_ns, until_ns in self._stories(fault, at_ns, index, last=last):
                    timed = TimedFault(fault, start_ns, until_ns)
                    yield self.maker.case(name, (timed,))
            if not spoilt:
                for at_ns in self._one(fault, situation):
                    timed = self._aside(fault, at_ns)
                    yield self.maker.case(name, (timed,))

    def _spoilt(self, fault: Fault, situation: SituationTable) -> list[int]:
        """The instants of the actions that the fault can spoil. A cable's fault is tried at all
        of them, any other at no more than two of a situation, in turn.
        """
        found = thinned(
            action.at for action in situation.actions if self.relevance.matters(fault, action.set)
        )
        if fault.group == "cable" or len(found) <= MOST_ACTIONS:
            return found
        start = next(self.turn)
        return sorted(found[(start + step) % len(found)] for step in range(MOST_ACTIONS))

    def _one(self, fault: Fault, situation: SituationTable) -> list[int]:
        """One action of a situation that the fault cannot spoil, in turn. A fault of an input is
        left out where the input does not move; if it moves nowhere, the first situation serves.
        """
        if fault.group == "input" and (self._moves(fault) or situation is not self._first):
            return []
        every = instants(situation)
        return [every[next(self.turn) % len(every)]]

    @property
    def _first(self) -> SituationTable:
        return next(iter(self.vehicle.situations.values()))

    def _moves(self, fault: Fault) -> bool:
        """Whether a situation moves what the fault could spoil."""
        return any(self._spoilt(fault, table) for table in self.vehicle.situations.values())

    def _stories(
        self, fault: Fault, at_ns: int, index: int, *, last: bool
    ) -> Iterator[tuple[int, int | None]]:
        """From when to when a fault is there, for one action. The phase within the message
        period differs from action to action. A brief fault comes at the last action: by then
        nothing of the power-up excuses a load any more.
        """
        took = self.spans
        phase_ns = took.period * (2 * index + 3) // 7 // MS * MS
        before_ns = max(0, at_ns - phase_ns)  # an action may come with the power
        if not fault.lasting:
            yield before_ns, None
            if last:
                yield at_ns + took.period // 5, None
            return
        yield max(0, at_ns - took.period - phase_ns), at_ns + took.outage
        if last:
            yield before_ns, before_ns + took.brief

    def _aside(self, fault: Fault, at_ns: int) -> TimedFault:
        """A fault that cannot spoil the action: there all the same, for one stale time."""
        start_ns = max(0, at_ns - self.spans.period)
        return TimedFault(
            fault, start_ns, start_ns + 2 * self.spans.brief if fault.lasting else None
        )

    def wiring(self) -> Iterator[Scenario]:
        """Faults of the wiring, which cost more to work out: each in a few situations, in turn,
        and all of them by themselves, so that they do not move the turns of the others.
        """
        situations = list(self.vehicle.situations.items())
        turn = count()
        for fault in wiring_instances(self.vehicle):
            for _ in range(min(WIRING_SITUATIONS, len(situations))):
                step = next(turn)
                name, situation = situations[step % len(situations)]
                at_ns = instants(situation)[step // len(situations) % len(instants(situation))]
                start_ns = max(0, at_ns - self.spans.period // 2)
                timed = TimedFault(fault, start_ns, at_ns + self.spans.outage)
                yield self.maker.case(name, (timed,))

    def _unplugged_resets(self) -> Iterator[Scenario]:
        """A connector that carries supply and CAN comes off and on: the node restarts, and
        nobody tells it anything.
        """
        for node in dict.fromkeys(load.node for load in self.vehicle.loads.values()):
            unplug = make_fault("unplug", {"node": node}, self.vehicle)
            reset = make_fault("reset", {"node": node}, self.vehicle)
            for name, situation in self.vehicle.situations.items():
                for at_ns in self._spoilt(unplug, situation):
                    start_ns = max(0, at_ns - self.spans.period // 2)
                    faults = (
                        TimedFault(unplug, start_ns, at_ns + self.spans.outage),
                        TimedFault(reset, start_ns, None),
                    )
                    yield self.maker.case(name, faults)

    def _stuck_notices(self) -> Iterator[Scenario]:
        """An input that stays active for longer than is plausible must be noticed."""
        for notice in self.vehicle.notices.values():
            if notice.stuck is None or notice.longest is None or not self.vehicle.situations:
                continue
            table = self.vehicle.inputs[notice.stuck]
            active = table.positions[1] if table.positions else (table.range or (0.0, 1.0))[1]
            fault = make_fault("stuck", {"input": notice.stuck, "value": active}, self.vehicle)
            name, situation = next(iter(self.vehicle.situations.items()))
            start_ns = instants(situation)[0]
            until_ns = start_ns + notice.longest + notice.within + 500 * MS
            yield self.maker.case(name, (TimedFault(fault, start_ns, until_ns),))

    def _returns(self) -> Iterator[Scenario]:
        """Each node sent bus-off again and again, for long enough to tell one that comes back at
        once from one that waits: what ails its life sign reaches no load.
        """
        situations = list(self.vehicle.situations.items())
        for turn, table in enumerate(self.vehicle.nodes.values()):
            if table.status is None or not situations:
                continue
            name, situation = situations[turn % len(situations)]
            fault = make_fault("corrupt", {"message": table.status}, self.vehicle)
            start_ns = instants(situation)[0]
            until_ns = start_ns + max(self.spans.outage, 2 * table.rejoin)
            yield self.maker.case(name, (TimedFault(fault, start_ns, until_ns),))
