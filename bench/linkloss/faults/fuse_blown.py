"""A fuse has blown."""

from __future__ import annotations

from random import Random

from linkloss.faults.base import Undo
from linkloss.faults.outputs import LoadFault, changed, on_one_fuse
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle


class FuseBlown(LoadFault):
    """The fuse of a load is open, whatever blew it; all loads on it are dead. Cleared, there is
    a new one.
    """

    kind = "fuse_blown"
    with_fuse = True

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        return changed(
            rig,
            lambda network: network.set_fuse(self.load, opened=True),
            lambda network: network.set_fuse(self.load, opened=False),
        )

    def describe(self) -> str:
        return f"the fuse of {self.load} blew"

    def loads(self, vehicle: Vehicle) -> tuple[str, ...]:
        return on_one_fuse(vehicle, self.load)
