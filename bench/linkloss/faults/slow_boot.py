"""A node resets and takes as long to boot as it ever may."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from linkloss.faults.base import Fault, NodeFault, Undo
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle


class SlowBoot(NodeFault):
    """The node is reset, and every boot takes the declared longest time until the fault clears.

    A boot that has begun when the fault clears is finished slowly.
    """

    kind = "slow_boot"
    needs = "no node boots in less ('boots_in') than its longest 'boot'"

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        host = rig.hosts[self.node]
        host.slow = True
        host.reset("fault")

        def undo() -> None:
            host.slow = False

        return undo

    def describe(self) -> str:
        return f"{self.node} was reset and booted slowly"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for name, node in vehicle.nodes.items():
            if node.usual_boot_ns < node.slowest_boot_ns:  # otherwise it would be a plain reset
                yield cls(node=name)
