"""A node hears all and says nothing."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from bench.faults.base import Fault, Undo, node_problem
from bench.faults.rig import Rig
from bench.model.loading import Vehicle


class Mute(Fault):
    """What the node sends never reaches the wire, and its program takes it for sent.

    The node still receives and acknowledges. When the fault clears, frames that wait in its
    mailboxes are sent; those swallowed before are lost.
    """

    kind = "mute"
    group = "node"

    node: str

    def problem(self, vehicle: Vehicle) -> str:
        return node_problem(vehicle, self.node)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        controller = rig.hosts[self.node].controller
        controller.muted = True

        def undo() -> None:
            controller.muted = False

        return undo

    def describe(self) -> str:
        return f"{self.node} fell mute"

    def nodes(self) -> tuple[str, ...]:
        return (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node in vehicle.nodes:
            yield cls(node=node)
