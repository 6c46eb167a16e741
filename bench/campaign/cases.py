"""What all ways of choosing cases share: how long things take, how a case is built and named.

A name says everything that sets a case apart from others of its vehicle and seed, so a case can
be made again from its name alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from bench.campaign.relevance import Relevance
from bench.faults.base import Fault
from bench.faults.catalogue import catalogue
from bench.model.loading import Vehicle
from bench.model.units import plain, write_duration
from bench.model.vehicle import SituationTable
from bench.scenario import Scenario, TimedAction, TimedFault

MS = 1_000_000
NO_FAULT = "none"
APART_NS = 500 * MS
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


def in_order(vehicle: Vehicle, cases: Iterable[Scenario]) -> list[Scenario]:
    """Cases situation by situation, each in the order of the instant at which its first fault
    comes: cases that share a beginning stand together. One without a fault goes first.
    """
    order = {name: number for number, name in enumerate(vehicle.situations)}
    return sorted(cases, key=lambda case: (order[case.situation], bool(case.faults), case.parts_ns))


def instances(vehicle: Vehicle) -> list[Fault]:
    """Every instance of every fault that meets others, in catalogue order: those of the wiring and
    electrical ones are tried alone.
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
    """When something is done in a situation, in ns; its middle if nothing is."""
    return sorted({action.at for action in situation.actions}) or [situation.lasts // 2]


def thinned(instants: Iterable[int]) -> list[int]:
    """The instants without those that follow another one closely."""
    kept: list[int] = []
    for at_ns in sorted(set(instants)):
        if not kept or at_ns - kept[-1] >= APART_NS:
            kept.append(at_ns)
    return kept


class CaseMaker:
    """Builds the cases of one vehicle and seed."""

    def __init__(self, vehicle: Vehicle, seed: int = 0) -> None:
        self.vehicle = vehicle
        self.seed = seed
        self.spans = spans(vehicle)
        self.relevance = Relevance(vehicle)

    def case(
        self,
        situation: str,
        faults: tuple[TimedFault, ...],
        *,
        more: tuple[TimedAction, ...] = (),
    ) -> Scenario:
        """A situation with faults, and with ``more`` actions beside its own. It lasts until all
        has recovered and what flashes has flashed for long enough.
        """
        table = self.vehicle.situations[situation]
        own = tuple(TimedAction(action.at, action.set) for action in table.actions)
        actions = tuple(sorted((*own, *more), key=lambda action: action.at_ns)) if more else own
        return Scenario(
            name=story_name(situation, faults, more),
            title=_title(situation, faults),
            vehicle=self.vehicle,
            situation=situation,
            inputs=table.inputs,
            actions=actions,
            faults=faults,
            lasts_ns=self._lasts_ns(situation, faults, more),
            seed=self.seed,
        )

    def _lasts_ns(
        self, situation: str, faults: tuple[TimedFault, ...], more: tuple[TimedAction, ...]
    ) -> int:
        table = self.vehicle.situations[situation]
        moved = {key for action in table.actions for key in action.set}
        moved |= {key for action in more for key in action.values}
        flash_ns = self.spans.flash if self.relevance.flashes(moved) else 0
        last = [timed.until_ns or timed.at_ns for timed in faults]
        last += [action.at_ns for action in more]
        ends = [at_ns + self.spans.recovery + flash_ns for at_ns in last]
        return max(ends, default=table.lasts)


def without_fault(
    vehicle: Vehicle, seed: int, situations: Iterable[str] | None = None
) -> list[Scenario]:
    """Situations (None: all) as they are; what breaks there needs no fault."""
    maker = CaseMaker(vehicle, seed)
    return [maker.case(name, ()) for name in situations or vehicle.situations]


def story_name(
    situation: str, faults: Iterable[TimedFault], more: Iterable[TimedAction] = ()
) -> str:
    """``night_drive/unplug(rear)@543ms+1527ms/reset(rear)@1200ms/lights=off@1300ms``: the
    situation, each fault with its start and duration, each action beside the situation's own.
    """
    parts = [when(timed.fault.label(), timed) for timed in faults]
    parts += [f"{_told(action)}@{_short(action.at_ns)}" for action in more]
    return "/".join([situation, *(parts or [NO_FAULT])])


def when(label: str, timed: TimedFault) -> str:
    """A label with the start and the duration of a fault."""
    start = f"{label}@{_short(timed.at_ns)}"
    return start if timed.until_ns is None else f"{start}+{_short(timed.until_ns - timed.at_ns)}"


def _short(duration_ns: int) -> str:
    return write_duration(duration_ns).replace(" ", "")


def _told(action: TimedAction) -> str:
    return ",".join(f"{name}={plain(value)}" for name, value in action.values.items())


def _title(situation: str, faults: Iterable[TimedFault]) -> str:
    told = " and ".join(timed.fault.describe() for timed in faults)
    return f"{situation}: {told}" if told else f"{situation}, no fault"
