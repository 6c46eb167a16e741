"""A load is shorted."""

from __future__ import annotations

from random import Random

from linkloss.faults.base import Undo
from linkloss.faults.outputs import LoadFault, changed, has_fuse, on_one_fuse
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle
from linkloss.power.network import Network


class LoadShort(LoadFault):
    """The terminals of a load touch, so the feed is shorted to ground behind its lead.

    Whatever protects the lead acts: a fuse blows, a switch trips. Cleared, the short is mended
    and a blown fuse replaced.
    """

    kind = "load_short"

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        def mend(network: Network) -> None:
            network.short_load(self.load, -1)
            if has_fuse(rig.vehicle, self.load):
                network.set_fuse(self.load, opened=False)

        return changed(rig, lambda network: network.short_load(self.load), mend)

    def describe(self) -> str:
        return f"{self.load} was shorted"

    def loads(self, vehicle: Vehicle) -> tuple[str, ...]:
        return on_one_fuse(vehicle, self.load)
