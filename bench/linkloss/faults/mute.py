"""A node hears all and says nothing."""

from __future__ import annotations

from random import Random

from linkloss.faults.base import NodeFault, Undo
from linkloss.faults.rig import Rig


class Mute(NodeFault):
    """What the node sends never reaches the bus, and its program takes it for sent.

    The node still receives and acknowledges. When the fault clears, frames that wait in its
    mailboxes are sent; those swallowed before are lost.
    """

    kind = "mute"

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        controller = rig.hosts[self.node].controller
        controller.muted = True

        def undo() -> None:
            controller.muted = False

        return undo

    def describe(self) -> str:
        return f"{self.node} fell mute"
