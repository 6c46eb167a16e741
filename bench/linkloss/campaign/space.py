"""How large the space of cases is that a depth chooses from, counted, and what it leaves out.

A report that says "all kept" must also say of what.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from linkloss.campaign.cases import electrical_instances, instances, wiring_instances
from linkloss.faults.catalogue import catalogue
from linkloss.model.loading import Vehicle
from linkloss.scenario import Scenario


@dataclass(frozen=True, slots=True)
class Space:
    """What a depth chose from, and what it chose.

    ``actions`` counts what the driver and the engine do in all situations, ``kinds`` the kinds of
    faults, ``faults`` their instances on this vehicle. ``singles`` is the number of cases with one
    fault (or one plug that carries supply and CAN) at the planned instants, ``pairs`` the number
    of ordered pairs of them (without electrical ones) times the actions that they may be placed
    around. ``instants``
    counts the distinct instants of the chosen cases at which a fault begins. ``left_out`` says in
    sentences what was not chosen and why.
    """

    depth: str
    situations: int
    actions: int
    kinds: int
    faults: int
    instants: int
    singles: int
    pairs: int
    chosen: int
    left_out: tuple[str, ...]

    def sentences(self) -> tuple[str, ...]:
        """The space in plain words."""
        where = f"{_many(self.situations, 'situation')} with {_many(self.actions, 'action')}"
        what = f"{_many(self.faults, 'fault')} of {_many(self.kinds, 'kind')}"
        alone = f"{_many(self.singles, 'case')} with a single fault"
        both = f"{_many(self.pairs, 'ordered pair')} of faults around an action"
        begin = f"faults begin at {_many(self.instants, 'different instant')}"
        chosen = (f"Chosen: {_many(self.chosen, 'case')}; {begin}.",) if self.chosen else ()
        return (f"{where}; {what}; {alone}, {both}.", *chosen, *self.left_out)


def _many(number: int, what: str) -> str:
    return f"{number:,} {what}" if number == 1 else f"{number:,} {what}s"


def measured(
    depth: str,
    vehicle: Vehicle,
    cases: Sequence[Scenario],
    *,
    singles: int,
    left_out: Sequence[str],
) -> Space:
    """The space of a vehicle, and the cases chosen out of it."""
    actions = sum(len(table.actions) for table in vehicle.situations.values())
    together, apart = len(instances(vehicle)), electrical_instances(vehicle)
    kinds = sum(bool(apart) or not form.electrical for form in catalogue().values())
    begun = {(case.situation, timed.at_ns) for case in cases for timed in case.faults}
    return Space(
        depth=depth,
        situations=len(vehicle.situations),
        actions=actions,
        kinds=kinds,
        faults=together + len(wiring_instances(vehicle)) + len(apart),
        instants=len(begun),
        singles=singles,
        pairs=together * together * actions,
        chosen=len(cases),
        left_out=(*left_out, *_electrical(vehicle, cases)),
    )


def _electrical(vehicle: Vehicle, cases: Sequence[Scenario]) -> Iterator[str]:
    """What was left out of the faults of supply, fuses, leads and relays, and why."""
    if vehicle.supply is None:
        yield (
            "The vehicle has no table 'supply': it ran on an ideal one, and no fault of supply,"
            " fuses, leads or relays was tried. The rules 'back' and 'neighbours' and notices of"
            " failed loads could not be exercised."
        )
        return
    if any(timed.fault.loads(vehicle) for case in cases for timed in case.faults):
        yield (
            "What hardware cannot do is nobody's fault: a load with a blown fuse, a broken or"
            " shorted lead or a welded relay was judged by what its node drove, and by its notice."
        )
    if not any(timed.fault.electrical for case in cases for timed in case.faults):
        yield "Faults of supply, fuses, leads and relays were left to the depth 'full'."
