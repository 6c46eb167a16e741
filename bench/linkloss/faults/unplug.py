"""A node's stub is unplugged: the node is alone, the trunk goes on without it."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.bus.cable import Conductor
from linkloss.faults.base import Fault, Undo, node_problem
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle


class Unplug(Fault):
    """The plug of one node's CAN stub is pulled; the node keeps its supply, inputs and loads.

    With one conductor open the node's other pin still follows the bus and the open one stays at its
    bias: by the levels the node sees others send, and they do not see it. What the open pin picks
    up from outside is left out (bus/circuit.py).
    """

    kind = "unplug"
    group = "cable"

    node: str
    conductor: Conductor = Field(default="both", description="default: both")

    def problem(self, vehicle: Vehicle) -> str:
        return node_problem(vehicle, self.node)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        rig.bus.unplug(self.node, self.conductor)
        return lambda: rig.bus.plug(self.node, self.conductor)

    def describe(self) -> str:
        if self.conductor == "both":
            return f"the CAN plug of {self.node} was pulled"
        return f"{self.conductor} of {self.node} came off"

    def nodes(self) -> tuple[str, ...]:
        return (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node in vehicle.bus.cable:
            yield cls(node=node)

    @classmethod
    def of_wiring(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node in vehicle.bus.cable:
            yield cls(node=node, conductor="CAN_H")
            yield cls(node=node, conductor="CAN_L")
