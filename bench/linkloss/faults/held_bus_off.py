"""A node's controller is bus-off and cannot come back for a while."""

from __future__ import annotations

from random import Random

from pydantic import Field

from linkloss.faults.base import NodeFault, Undo
from linkloss.faults.rig import Rig


class HeldBusOff(NodeFault):
    """The controller is bus-off and stays so while the fault is there, whatever its program does.

    Its receive pin hangs low, say, so it never sees the recessive bits that it has to count; what
    it has received before that went wrong stands in REC. A program that takes counters at zero for
    the way back, or gives up after some tries, is found out. When the fault clears, a recovery that
    was asked for begins to count; one that was not has to be asked for. A reset of the node does
    not help before.
    """

    kind = "held_bus_off"

    rec: int = Field(default=57, ge=1, le=127, description="what REC shows; default: 57")

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        controller = rig.hosts[self.node].controller
        controller.hold_bus_off(self.rec)
        return controller.release_bus_off

    def describe(self) -> str:
        return f"{self.node} was held in bus-off (REC {self.rec})"
