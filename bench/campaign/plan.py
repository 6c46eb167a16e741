"""Which cases a check runs: every situation, without a fault and with every fault that applies,
at instants around what the driver does.

    driver       ____A_________            an action, such as lights off
    across     [-----------------]         from before it until every fail-safe deadline is over
    brief      [--]                        shorter than any stale time
    at once    |   |                       momentary faults, just before and just behind it

The action falls into the fault, so a load that only holds its last state shows whether it
follows again afterwards. A fault is tried around every action that it can spoil, and around one
action of every other situation.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import count

from bench.campaign.relevance import Relevance
from bench.faults.base import Fault
from bench.faults.catalogue import catalogue, make_fault
from bench.model.loading import Vehicle
from bench.model.units import write_duration
from bench.model.vehicle import SituationTable
from bench.scenario import Scenario, TimedAction, TimedFault

MS = 1_000_000
NO_FAULT = "none"
APART_NS = 300 * MS
"""Actions closer than this are covered by one set of instants."""


@dataclass(frozen=True, slots=True)
class Spans:
    """How long things take on this vehicle, worked out from its declared deadlines; all in ns.

    ``outage``: every fail-safe deadline is over by then. ``brief``: shorter than any stale time.
    ``period``: of the fastest request. ``recovery``: every node is back and every load follows.
    ``flash``: a load has flashed for long enough to be judged.
    """

    outage: int
    brief: int
    period: int
    recovery: int
    flash: int


def spans(vehicle: Vehicle) -> Spans:
    """The spans of a vehicle."""
    asked = [load for load in vehicle.loads.values() if load.request is not None]
    losses = [
        (load.stale_after or 0) + load.reaction + (load.hold_for or 0) + load.cycle_ns
        for load in asked
    ]
    losses += [notice.within for notice in vehicle.notices.values() if notice.lost is not None]
    messages = [vehicle.messages[(load.request or "").partition(".")[0]] for load in asked]
    rejoins = [load.rejoin for load in vehicle.loads.values()]
    rejoins += [node.rejoin for node in vehicle.nodes.values()]
    boots = [node.boot for node in vehicle.nodes.values()]
    return Spans(
        outage=max(losses, default=500 * MS) + 200 * MS,
        brief=min((load.stale_after or 250 * MS for load in asked), default=200 * MS) * 6 // 10,
        period=min((message.period_ns or 50 * MS for message in messages), default=50 * MS),
        recovery=max(rejoins) + max(boots) + 200 * MS,
        flash=2 * max(load.cycle_ns for load in vehicle.loads.values()) + 300 * MS,
    )


def plan(vehicle: Vehicle, seed: int = 0) -> list[Scenario]:
    """All cases, situation by situation, each in the order of the instant at which its first
    fault comes: cases that share a beginning stand together.
    """
    order = {name: number for number, name in enumerate(vehicle.situations)}
    cases = _Planner(vehicle, seed).cases()
    return sorted(cases, key=lambda case: (order[case.situation], first_fault_ns(case)))


def first_fault_ns(case: Scenario) -> int:
    """Where a case parts from the others of its situation; one without a fault does at once."""
    return min((timed.at_ns for timed in case.faults), default=-1)


class _Planner:
    def __init__(self, vehicle: Vehicle, seed: int) -> None:
        self.vehicle = vehicle
        self.seed = seed
        self.spans = spans(vehicle)
        self.relevance = Relevance(vehicle)
        self.turn = count()

    def cases(self) -> Iterator[Scenario]:
        for name in self.vehicle.situations:
            yield self._case(name, (), NO_FAULT)
        for form in catalogue().values():
            for fault in form.every(self.vehicle):
                yield from self._single(fault)
        yield from self._unplugged_resets()
        yield from self._stuck_notices()

    def _single(self, fault: Fault) -> Iterator[Scenario]:
        for name, situation in self.vehicle.situations.items():
            spoilt = self._spoilt(fault, situation)
            for index, at_ns in enumerate(spoilt or self._one(fault, situation)):
                brief = bool(spoilt) and index == len(spoilt) - 1  # power-up is long over then
                for start_ns, until_ns in self._stories(fault, at_ns, index, brief=brief):
                    timed = TimedFault(fault, start_ns, until_ns)
                    yield self._case(name, (timed,), fault.label())

    def _spoilt(self, fault: Fault, situation: SituationTable) -> list[int]:
        """The instants of the actions that the fault can spoil."""
        return _thinned(
            action.at for action in situation.actions if self.relevance.matters(fault, action.set)
        )

    def _one(self, fault: Fault, situation: SituationTable) -> list[int]:
        """One action of a situation that the fault cannot spoil, in turn; none where the fault's
        input does not move.
        """
        if fault.group == "input":
            return []
        every = _instants(situation)
        return [every[next(self.turn) % len(every)]]

    def _stories(
        self, fault: Fault, at_ns: int, index: int, *, brief: bool
    ) -> Iterator[tuple[int, int | None]]:
        """From when to when a fault is there, for one action. The phase within the message
        period differs from action to action.
        """
        took = self.spans
        phase_ns = took.period * (2 * index + 3) // 7 // MS * MS
        before_ns = max(0, at_ns - phase_ns)  # an action may come with the power
        if not fault.lasting:
            yield before_ns, None
            if brief:
                yield at_ns + took.period // 5, None
            return
        yield max(0, at_ns - took.period - phase_ns), at_ns + took.outage
        if brief:
            yield before_ns, before_ns + took.brief

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
                    yield self._case(name, faults, f"{unplug.label()}+{reset.label()}")

    def _stuck_notices(self) -> Iterator[Scenario]:
        """An input that stays active for longer than is plausible must be noticed."""
        for notice in self.vehicle.notices.values():
            if notice.stuck is None or notice.longest is None:
                continue
            table = self.vehicle.inputs[notice.stuck]
            active = table.positions[1] if table.positions else (table.range or (0.0, 1.0))[1]
            fault = make_fault("stuck", {"input": notice.stuck, "value": active}, self.vehicle)
            name, situation = next(iter(self.vehicle.situations.items()))
            start_ns = _instants(situation)[0]
            until_ns = start_ns + notice.longest + notice.within + 500 * MS
            yield self._case(name, (TimedFault(fault, start_ns, until_ns),), fault.label())

    def _case(self, name: str, faults: tuple[TimedFault, ...], label: str) -> Scenario:
        table = self.vehicle.situations[name]
        moved = {key for action in table.actions for key in action.set}
        flash_ns = self.spans.flash if self.relevance.flashes(moved) else 0
        ends = [
            (timed.until_ns or timed.at_ns) + self.spans.recovery + flash_ns for timed in faults
        ]
        return Scenario(
            name=_name(name, label, faults),
            title=_title(name, faults),
            vehicle=self.vehicle,
            situation=name,
            inputs=table.inputs,
            actions=tuple(TimedAction(action.at, action.set) for action in table.actions),
            faults=faults,
            lasts_ns=max(ends, default=table.lasts),
            seed=self.seed,
        )


def _instants(situation: SituationTable) -> list[int]:
    return sorted({action.at for action in situation.actions}) or [situation.lasts // 2]


def _thinned(instants: Iterable[int]) -> list[int]:
    """The instants without those that follow another one closely."""
    kept: list[int] = []
    for at_ns in sorted(set(instants)):
        if not kept or at_ns - kept[-1] >= APART_NS:
            kept.append(at_ns)
    return kept


def _name(situation: str, label: str, faults: Iterable[TimedFault]) -> str:
    first = next(iter(faults), None)
    if first is None:
        return f"{situation}/{label}"
    start = write_duration(first.at_ns).replace(" ", "")
    if first.until_ns is None:
        return f"{situation}/{label}@{start}"
    lasts = write_duration(first.until_ns - first.at_ns).replace(" ", "")
    return f"{situation}/{label}@{start}+{lasts}"


def _title(situation: str, faults: Iterable[TimedFault]) -> str:
    told = " and ".join(timed.fault.describe() for timed in faults)
    return f"{situation}: {told}" if told else f"{situation}, no fault"
