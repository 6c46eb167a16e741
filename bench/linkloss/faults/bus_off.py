"""A node's controller has counted too many errors and left the bus."""

from __future__ import annotations

from random import Random

from linkloss.faults.base import NodeFault, Undo, nothing
from linkloss.faults.rig import Rig


class BusOff(NodeFault):
    """The controller goes bus-off at once; what waited in its mailboxes is lost.

    Coming back is up to the node: its program asks for it, or its controller does it by itself.
    A controller without power, of a node that is booting, is not touched.
    """

    kind = "bus_off"
    lasting = False

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        rig.hosts[self.node].controller.force_bus_off()
        return nothing

    def describe(self) -> str:
        return f"{self.node} went bus-off"
