"""The contact of a relay has welded."""

from __future__ import annotations

from random import Random

from linkloss.faults.base import Undo
from linkloss.faults.outputs import LoadFault, changed
from linkloss.faults.rig import Rig
from linkloss.model.load import LoadTable
from linkloss.model.loading import Vehicle


class RelayWelded(LoadFault):
    """The contact of a load's relay stays closed, whatever its coil says. Cleared, it is free."""

    kind = "relay_welded"

    def problem(self, vehicle: Vehicle) -> str:
        missing = super().problem(vehicle)
        if not missing and not self.fits(vehicle.loads[self.load]):
            return f"load '{self.load}' is not switched by a relay"
        return missing

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        return changed(
            rig,
            lambda network: network.weld(self.load, welded=True),
            lambda network: network.weld(self.load, welded=False),
        )

    def describe(self) -> str:
        return f"the relay of {self.load} welded"

    @classmethod
    def fits(cls, table: LoadTable) -> bool:
        return table.electrical is not None and table.electrical.relay is not None
