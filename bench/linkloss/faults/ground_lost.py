"""The ground lead of a node has come off."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from linkloss.faults.base import Fault, Undo, node_problem
from linkloss.faults.outputs import changed
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle


class GroundLost(Fault):
    """The node's own ground lead is open. What current can flow back by another way does: by a
    link to the ground of another node, or through loads that are grounded elsewhere.
    """

    kind = "ground_lost"
    group = "node"
    electrical = True

    node: str

    def problem(self, vehicle: Vehicle) -> str:
        missing = node_problem(vehicle, self.node)
        if missing:
            return missing
        supply = vehicle.nodes[self.node].supply
        if supply is None or supply.ground is None:
            return f"node '{self.node}' has no ground lead in its table 'supply'"
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        return changed(
            rig,
            lambda network: network.lose_ground(self.node),
            lambda network: network.lose_ground(self.node, -1),
        )

    def describe(self) -> str:
        return f"the ground lead of {self.node} came off"

    def nodes(self) -> tuple[str, ...]:
        return (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for name, table in vehicle.nodes.items():
            if table.supply is not None and table.supply.ground is not None:
                yield cls(node=name)
