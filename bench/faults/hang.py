"""A node's program stops, while its controller and its hardware go on."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from bench.faults.base import Fault, Undo, node_problem
from bench.faults.rig import Rig
from bench.model.loading import Vehicle


class Hang(Fault):
    """The program stands still; outputs stay as it left them, the controller acknowledges.

    What runs from a hardware timer's interrupt goes on. A watchdog that the program started
    resets the node, and then it runs again although the fault has not cleared. When the fault
    clears, a program that still hangs goes on, late for all that it missed. A node that is
    booting has no program to hang: nothing happens.
    """

    kind = "hang"
    group = "node"

    node: str

    def problem(self, vehicle: Vehicle) -> str:
        return node_problem(vehicle, self.node)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        host = rig.hosts[self.node]
        host.hang()
        return host.resume

    def describe(self) -> str:
        return f"the program of {self.node} hung"

    def nodes(self) -> tuple[str, ...]:
        return (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node in vehicle.nodes:
            yield cls(node=node)
