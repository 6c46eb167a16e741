"""Which cases a check runs: every situation, without a fault and with every fault that applies,
at instants around what the driver does.

    driver       ____A_________            an action, such as lights off
    across     [-----------------]         from before it until every fail-safe deadline is over
    brief      [--]                        shorter than any stale time
    at once    |   |                       momentary faults, just before and just behind it

The action falls into the fault, so a load that only holds its last state shows whether it
follows again afterwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from bench.faults.base import Fault
from bench.faults.catalogue import catalogue, make_fault
from bench.model.loading import Vehicle
from bench.model.units import write_duration
from bench.model.vehicle import SituationTable
from bench.scenario import Scenario, TimedAction, TimedFault

MS = 1_000_000
NO_FAULT = "none"


@dataclass(frozen=True, slots=True)
class Spans:
    """How long things take on this vehicle, worked out from its declared deadlines; all in ns.

    ``outage``: every fail-safe deadline is over by then. ``brief``: shorter than any stale time.
    ``period``: of the fastest request. ``recovery``: every node is back and every load follows
    and has flashed for long enough to be judged.
    """

    outage: int
    brief: int
    period: int
    recovery: int


def spans(vehicle: Vehicle) -> Spans:
    """The spans of a vehicle."""
    asked = [load for load in vehicle.loads.values() if load.request is not None]
    losses = [
        (load.stale_after or 0) + load.reaction + (load.hold_for or 0) for load in asked
    ] or [500 * MS]
    periods = [
        vehicle.messages[(load.request or "").partition(".")[0]].period_ns or 50 * MS
        for load in asked
    ] or [50 * MS]
    boots = [node.boot for node in vehicle.nodes.values()]
    cycles = [load.flash.longest_period_ns for load in vehicle.loads.values() if load.flash]
    rejoins = [load.rejoin for load in vehicle.loads.values()]
    rejoins += [node.rejoin for node in vehicle.nodes.values()]
    notices = [notice.within for notice in vehicle.notices.values()]
    flash_ns = 3 * max(cycles, default=0)
    return Spans(
        outage=max(max(losses) + max(cycles, default=0), max(notices, default=0)) + 300 * MS,
        brief=min(load.stale_after or 250 * MS for load in asked) * 6 // 10 if asked else 100 * MS,
        period=min(periods),
        recovery=max(rejoins) + max(max(boots), flash_ns) + 300 * MS,
    )


def plan(vehicle: Vehicle, seed: int = 0) -> list[Scenario]:
    """All cases, in the order in which they are reported: first every situation without a fault,
    then fault by fault.
    """
    took = spans(vehicle)
    cases = [
        _case(vehicle, name, (), took, seed, NO_FAULT) for name in vehicle.situations
    ]
    for form in catalogue().values():
        for fault in form.every(vehicle):
            for name, situation in vehicle.situations.items():
                cases += _single(vehicle, name, situation, fault, took, seed)
    cases += _unplugged_resets(vehicle, took, seed)
    cases += _stuck_notices(vehicle, took, seed)
    return cases


def _anchors(situation: SituationTable) -> list[int]:
    return sorted({action.at for action in situation.actions}) or [situation.lasts // 2]


def _concerns(fault: Fault, situation: SituationTable) -> bool:
    """Whether a fault has anything to do in a situation: an input's fault needs its input moved."""
    if fault.group != "input":
        return True
    name = getattr(fault, "input", None)
    return any(name in action.set for action in situation.actions)


def _single(
    vehicle: Vehicle, name: str, situation: SituationTable, fault: Fault, took: Spans, seed: int
) -> Iterator[Scenario]:
    if not _concerns(fault, situation):
        return
    anchors = _anchors(situation)
    for index, at_ns in enumerate(anchors):
        for start_ns, until_ns in _stories(fault, at_ns, index, took):
            timed = TimedFault(fault, start_ns, until_ns)
            yield _case(vehicle, name, (timed,), took, seed, fault.label())


def _stories(fault: Fault, at_ns: int, index: int, took: Spans) -> Iterator[tuple[int, int | None]]:
    """From when to when a fault is there, for one action. The phase within the message period
    differs from action to action.
    """
    phase_ns = took.period * (2 * index + 3) // 7
    if not fault.lasting:
        yield at_ns - phase_ns, None
        yield at_ns + took.period // 5, None
        return
    yield at_ns - took.period - phase_ns, at_ns + took.outage
    if index == 0:
        yield at_ns - phase_ns, at_ns - phase_ns + took.brief


def _unplugged_resets(vehicle: Vehicle, took: Spans, seed: int) -> Iterator[Scenario]:
    """A connector that carries supply and CAN comes off and on: the node restarts, and nobody
    tells it anything.
    """
    for node in vehicle.nodes:
        if not any(load.node == node for load in vehicle.loads.values()):
            continue
        unplug = make_fault("unplug", {"node": node}, vehicle)
        reset = make_fault("reset", {"node": node}, vehicle)
        for name, situation in vehicle.situations.items():
            for at_ns in _anchors(situation):
                start_ns = at_ns - took.period // 2
                faults = (
                    TimedFault(unplug, start_ns, at_ns + took.outage),
                    TimedFault(reset, start_ns, None),
                )
                label = f"{unplug.label()}+{reset.label()}"
                yield _case(vehicle, name, faults, took, seed, label)


def _stuck_notices(vehicle: Vehicle, took: Spans, seed: int) -> Iterator[Scenario]:
    """An input that stays active for longer than is plausible must be noticed."""
    for notice in vehicle.notices.values():
        if notice.stuck is None or notice.longest is None:
            continue
        table = vehicle.inputs[notice.stuck]
        active = table.positions[1] if table.positions else (table.range or (0.0, 1.0))[1]
        fault = make_fault("stuck", {"input": notice.stuck, "value": active}, vehicle)
        name = next(iter(vehicle.situations))
        start_ns = _anchors(vehicle.situations[name])[0]
        until_ns = start_ns + notice.longest + notice.within + 500 * MS
        timed = TimedFault(fault, start_ns, until_ns)
        yield _case(vehicle, name, (timed,), took, seed, fault.label() + "long")


def _case(
    vehicle: Vehicle,
    situation: str,
    faults: tuple[TimedFault, ...],
    took: Spans,
    seed: int,
    label: str,
) -> Scenario:
    table = vehicle.situations[situation]
    ends = [table.lasts]
    ends += [(timed.until_ns or timed.at_ns) + took.recovery for timed in faults]
    return Scenario(
        name=_name(situation, label, faults),
        title=_title(situation, faults),
        vehicle=vehicle,
        situation=situation,
        inputs=table.inputs,
        actions=tuple(TimedAction(action.at, action.set) for action in table.actions),
        faults=faults,
        lasts_ns=max(ends),
        seed=seed,
    )


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
