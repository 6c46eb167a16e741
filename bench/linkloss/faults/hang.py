"""A node's program stops, while its controller and its hardware go on."""

from __future__ import annotations

from random import Random

from linkloss.faults.base import NodeFault, Undo
from linkloss.faults.rig import Rig


class Hang(NodeFault):
    """The program stands still; outputs stay as it left them, the controller acknowledges.

    What runs from a hardware timer's interrupt goes on. A watchdog that the program started
    resets the node, and then it runs again although the fault has not cleared. When the fault
    clears, a program that still hangs goes on, late for all that it missed. A node that is
    booting has no program to hang: nothing happens.
    """

    kind = "hang"

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        host = rig.hosts[self.node]
        host.hang()
        return host.resume

    def describe(self) -> str:
        return f"the program of {self.node} hung"
