"""What all ways of choosing cases share: how long things take, how cases are built and named.

A name says everything that sets a case apart from others of its vehicle and seed, so a case can be
built again from its name alone: the situation, each fault with its start and duration, each
action in addition to the situation's own, as in
``night_drive/unplug(rear)@543ms+1527ms/reset(rear)@1200ms/lights=off@1300ms``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from linkloss.campaign.asked import Asked, Relevance
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import catalogue
from linkloss.scenario import Clocks, Drifts, Scenario, TimedAction, TimedFault, clock_parts
from linkloss.vehicle.expression import Value
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.tables import SituationTable

MS = 1_000_000
NO_FAULT = "none"
MOVED, AGAIN = "moved", "again"
"""Parts of a case's name: local inputs move in it; all loads are asked for again."""
SEEN_NS = 500 * MS
"""How long a load is asked for a state so that the state is seen; longer where the load flashes or
its request has a delay."""
APART_NS = 500 * MS
"""Actions closer together than this share one set of instants."""


@dataclass(frozen=True, slots=True)
class Spans:
    """How long things take on this vehicle, worked out from its declared deadlines; all in ns.

    ``outage``: longer than every fail-safe deadline. ``brief``: shorter than any stale time.
    ``period``: of the fastest request. ``recovery``: until every node is back and every load
    follows. ``flash``: until a flashing load can be judged. ``up``: until all nodes have booted.
    """

    outage: int
    brief: int
    period: int
    recovery: int
    flash: int
    up: int


def spans(vehicle: Vehicle) -> Spans:
    """The spans of a vehicle."""
    asked = [load for load in vehicle.loads.values() if load.request is not None]
    losses = [
        (load.stale_after or 0) + load.reaction + (load.hold_for or 0) + load.cycle_ns
        for load in asked
    ]
    losses += [notice.within for notice in vehicle.notices.values() if notice.lost is not None]
    losses += [route.stale_after + 2 * route.latency for route in vehicle.routes.values()]
    names = dict.fromkeys(name for load in asked for name in load.request_messages)
    messages = [vehicle.messages[name] for name in names]
    rejoins = [load.rejoin for load in vehicle.loads.values()]
    rejoins += [node.rejoin for node in vehicle.nodes.values()]
    boots = [node.boot for node in vehicle.nodes.values()]
    period_ns = min((message.period_ns or 50 * MS for message in messages), default=50 * MS)
    return Spans(
        outage=max(losses, default=500 * MS) + 200 * MS,
        brief=min((load.stale_after or 250 * MS for load in asked), default=200 * MS) * 6 // 10,
        period=period_ns,
        recovery=max(rejoins) + max(boots) + 200 * MS,
        flash=2 * max(load.cycle_ns for load in vehicle.loads.values()) + 300 * MS,
        up=max(boots) + 2 * period_ns,
    )


def in_order(vehicle: Vehicle, cases: Iterable[Scenario]) -> list[Scenario]:
    """Cases situation by situation, each in order of the start of its first fault, so that cases
    with a common beginning stand together. A case without a fault comes first.
    """
    order = {name: number for number, name in enumerate(vehicle.situations)}
    return sorted(cases, key=lambda case: (order[case.situation], bool(case.faults), case.parts_ns))


def instances(vehicle: Vehicle) -> list[Fault]:
    """Every instance of every fault that is combined with others, in catalogue order. Electrical
    faults and faults of the wiring are not: each is tried alone.
    """
    forms = [form for form in catalogue().values() if form.meets_others()]
    return [fault for form in forms for fault in form.every(vehicle)]


def wiring_instances(vehicle: Vehicle) -> list[Fault]:
    """Every instance that is tried as a fault of the wiring, in catalogue order."""
    return [fault for form in catalogue().values() for fault in form.of_wiring(vehicle)]


def electrical_instances(vehicle: Vehicle) -> list[Fault]:
    """Every instance of every electrical fault; none for a vehicle on an ideal supply."""
    forms = [form for form in catalogue().values() if form.electrical]
    return [fault for form in forms for fault in form.every(vehicle)]


def instants(situation: SituationTable) -> list[int]:
    """When an action takes place in a situation, in ns; its middle if there is none."""
    return sorted({action.at for action in situation.actions}) or [situation.lasts // 2]


def thinned(instants: Iterable[int]) -> list[int]:
    """The instants without those that follow closely after another one."""
    kept: list[int] = []
    for at_ns in sorted(set(instants)):
        if not kept or at_ns - kept[-1] >= APART_NS:
            kept.append(at_ns)
    return kept


class Draft(NamedTuple):
    """A planned case, before it is known which case is the last of its first fault."""

    situation: str
    faults: tuple[TimedFault, ...]

    @classmethod
    def of(cls, situation: str, fault: Fault, at_ns: int, lasts_ns: int) -> Draft:
        """One fault alone: where, when it begins, and how long it lasts unless it is momentary."""
        return cls(situation, (TimedFault.lasting(fault, at_ns, lasts_ns),))

    @property
    def instances(self) -> tuple[Fault, ...]:
        """Its faults without their times."""
        return tuple(timed.fault for timed in self.faults)


class CaseMaker:
    """Builds the cases of one vehicle and seed."""

    def __init__(self, vehicle: Vehicle, seed: int = 0) -> None:
        self.vehicle = vehicle
        self.seed = seed
        self.spans = spans(vehicle)
        self.asks = Asked(vehicle)
        self.relevance = Relevance(vehicle)

    def case(
        self,
        situation: str,
        faults: tuple[TimedFault, ...],
        *,
        more: tuple[TimedAction, ...] = (),
        moved: bool = False,
        again: bool = False,
        clocks: Clocks | None = None,
        drifts: Drifts | None = None,
    ) -> Scenario:
        """A situation with faults, and with ``more`` actions in addition to its own.

        It lasts to the end of the situation, until everything has recovered and every flashing load
        can be judged. ``moved``: the local inputs of the nodes that its first fault concerns move
        during that fault. ``again``: everything that a fault touched is asked for again after
        recovery, both ways. ``clocks`` and ``drifts`` are those of a scenario.
        """
        table = self.vehicle.situations[situation]
        clocks, drifts = clocks or {}, drifts or {}
        added = list(more)
        if moved:
            added += self._moving(situation, faults[0])
        lasts_ns = self._lasts_ns(situation, faults, added)
        if again:
            asked, lasts_ns = self._again(faults, lasts_ns)
            added += asked
        own = [TimedAction(action.at, action.set) for action in table.actions]
        actions = sorted((*own, *added), key=lambda action: action.at_ns) if added else own
        told = [*(fault.label for fault in faults), *(action.label for action in more)]
        marks = [MOVED] * moved + [AGAIN] * again + list(clock_parts(clocks, drifts))
        return Scenario(
            name="/".join([situation, *(told or [NO_FAULT]), *marks]),
            title=_title(situation, faults),
            vehicle=self.vehicle,
            situation=situation,
            inputs=table.inputs,
            actions=tuple(actions),
            faults=faults,
            lasts_ns=lasts_ns,
            seed=self.seed,
            clocks=clocks,
            drifts=drifts,
        )

    def spoilt(self, fault: Fault, situation: str) -> list[int]:
        """The instants of a situation's actions that a fault can spoil, in ns and in order."""
        actions = self.vehicle.situations[situation].actions
        return sorted({a.at for a in actions if self.relevance.matters(fault, a.set)})

    def _lasts_ns(
        self, situation: str, faults: tuple[TimedFault, ...], more: Iterable[TimedAction]
    ) -> int:
        table = self.vehicle.situations[situation]
        moved = {key for action in table.actions for key in action.set}
        moved |= {key for action in more for key in action.values}
        flash_ns = self.spans.flash if self.relevance.flashes(moved) else 0
        last = [timed.until_ns or timed.at_ns for timed in faults]
        last += [action.at_ns for action in more]
        ends = [at_ns + self.spans.recovery + flash_ns for at_ns in last]
        return max([table.lasts, *ends])

    # ---- asked for again ----

    def _again(self, faults: Iterable[TimedFault], from_ns: int) -> tuple[list[TimedAction], int]:
        """The actions that ask for all loads that faults touched, both ways, and the instant in ns
        at which the last of them has been seen.
        """
        touched = dict.fromkeys(
            load for timed in faults for load in self.relevance.touched(timed.fault)
        )
        found: list[TimedAction] = []
        at_ns = from_ns
        for values, loads, state in self.asks.rounds(tuple(touched)):
            pressed = self.asks.pressed(loads) if state == "on" else set()
            last = {name: value for name, value in values.items() if name in pressed}
            if last:
                rest = {name: self.vehicle.inputs[name].rest for name in last}
                found.append(TimedAction(at_ns, {**values, **rest}))
                at_ns += SEEN_NS
            found.append(TimedAction(at_ns, last or values))
            at_ns += max(self._long_enough(load, state) for load in loads)
        return found, at_ns

    def _long_enough(self, name: str, state: str) -> int:
        """How long a load is asked for a state so that the state is seen, in ns: longer than a tap
        of a switch, a whole cycle of a flashing load, and every delay.
        """
        load, requests = self.vehicle.loads[name], self.asks.requests_of(name)
        if state == "off":
            return SEEN_NS + max((request.off_delay or 0 for request in requests), default=0)
        taps = [r.one_touch.shorter_than + SEEN_NS // 2 for r in requests if r.one_touch]
        return max([SEEN_NS + load.cycle_ns, *taps])

    # ---- local inputs that move during a fault ----

    def _moving(self, situation: str, timed: TimedFault) -> list[TimedAction]:
        """The local inputs of all nodes that a fault concerns ask for their loads, then for the
        opposite, and return to what the situation says.
        """
        loads = [
            name
            for name in self.relevance.touched(timed.fault, local=True)
            if self.vehicle.loads[name].local is not None
        ]
        values = self.asks.local_rounds(loads)
        if not values:
            return []
        lasts_ns = self.spans.outage if timed.until_ns is None else timed.until_ns - timed.at_ns
        step_ns = min(lasts_ns // 4, SEEN_NS)
        instants = [timed.at_ns + step_ns * (number + 1) // 2 for number in range(len(values))]
        back_ns = instants[-1] + step_ns
        back = self._situation_at(situation, back_ns)
        moved = dict.fromkeys(name for entry in values for name in entry)
        return [
            *(TimedAction(at_ns, entry) for at_ns, entry in zip(instants, values, strict=True)),
            TimedAction(back_ns, {name: back[name] for name in moved}),
        ]

    def _situation_at(self, situation: str, at_ns: int) -> dict[str, Value]:
        """The inputs of a situation at an instant."""
        table = self.vehicle.situations[situation]
        found = {name: entry.rest for name, entry in self.vehicle.inputs.items()} | table.inputs
        for action in sorted(table.actions, key=lambda action: action.at):
            if action.at <= at_ns:
                found |= action.set
        return found


def without_fault(
    vehicle: Vehicle, seed: int, situations: Iterable[str] | None = None
) -> list[Scenario]:
    """Situations (None: all) as they are; what breaks in them needs no fault."""
    maker = CaseMaker(vehicle, seed)
    return [maker.case(name, ()) for name in situations or vehicle.situations]


def _title(situation: str, faults: Iterable[TimedFault]) -> str:
    told = " and ".join(timed.fault.describe() for timed in faults)
    return f"{situation}: {told}" if told else f"{situation}, no fault"
