"""The battery is disconnected."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from linkloss.faults.base import Fault, Undo
from linkloss.faults.outputs import changed
from linkloss.faults.rig import Rig
from linkloss.faults.supplied import supply_problem
from linkloss.model.loading import Vehicle


class BatteryOff(Fault):
    """A terminal of the battery is off. With the engine running the alternator goes on alone, as
    far as its current reaches; the surge at that moment is the fault ``alternator_surge``.
    """

    kind = "battery_off"
    group = "node"
    electrical = True

    def problem(self, vehicle: Vehicle) -> str:
        return supply_problem(vehicle)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        return changed(
            rig,
            lambda network: network.connect_battery(connected=False),
            lambda network: network.connect_battery(connected=True),
        )

    def describe(self) -> str:
        return "the battery came off"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        if vehicle.supply is not None:
            yield cls()
