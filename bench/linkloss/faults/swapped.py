"""CAN_H and CAN_L are exchanged in one node's plug."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from linkloss.faults.base import Fault, Undo, node_problem
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle


class Swapped(Fault):
    """One node's conductors are exchanged: what it sends is no dominant level to others, and what
    they send is none to it; where both send at once, their levels cancel each other.
    """

    kind = "swapped"
    group = "cable"
    wiring = True
    everywhere = True

    node: str

    def problem(self, vehicle: Vehicle) -> str:
        return node_problem(vehicle, self.node)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        with rig.bus.rewiring(self.node) as cable:
            cable.swapped.append(self.node)

        def undo() -> None:
            with rig.bus.rewiring() as cable:
                cable.swapped.remove(self.node)

        return undo

    def describe(self) -> str:
        return f"CAN_H and CAN_L of {self.node} were exchanged"

    def nodes(self) -> tuple[str, ...]:
        return (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node in vehicle.bus.cable:
            yield cls(node=node)
