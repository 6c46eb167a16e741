"""A node's stub is unplugged: the node is alone, the trunk goes on without it."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from bench.faults.base import Fault, Undo, node_problem
from bench.faults.rig import Rig
from bench.model.loading import Vehicle


class Unplug(Fault):
    """The plug of one node's CAN stub is pulled; the node keeps its supply, inputs and loads."""

    kind = "unplug"
    group = "cable"

    node: str

    def problem(self, vehicle: Vehicle) -> str:
        return node_problem(vehicle, self.node)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        rig.wire.unplug(self.node)
        return lambda: rig.wire.plug(self.node)

    def describe(self) -> str:
        return f"the CAN plug of {self.node} was pulled"

    def nodes(self) -> tuple[str, ...]:
        return (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node in vehicle.wire.cable:
            yield cls(node=node)
