"""A node's ground is not that of the others."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.faults.base import Fault, Undo, node_problem
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle
from linkloss.model.units import Voltage, write_voltage

SMALL_V, LARGE_V = 2.0, 12.0
"""An offset that transceivers are made for, and one that they are not: a ground lead that came off
(from memory of ISO 11898-2, edition of 2016)."""


class GroundOffset(Fault):
    """A node's ground lies so much above that of the car, as with a bad ground lead.

    Levels are differences, so it matters only once a receiver's common-mode range is exceeded;
    that errors become more frequent before is left out (bus/circuit.py).
    """

    kind = "ground_offset"
    group = "cable"
    wiring = True

    node: str
    offset: Voltage = Field(description="its ground above that of the car; may be negative")

    def problem(self, vehicle: Vehicle) -> str:
        return node_problem(vehicle, self.node)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        with rig.bus.rewiring(self.node) as cable:
            cable.grounds[self.node] = cable.grounds.get(self.node, 0.0) + self.offset

        def undo() -> None:
            with rig.bus.rewiring() as cable:
                left = cable.grounds.pop(self.node) - self.offset
                if left:
                    cable.grounds[self.node] = left

        return undo

    def describe(self) -> str:
        return f"the ground of {self.node} was {write_voltage(self.offset)} off"

    def nodes(self) -> tuple[str, ...]:
        return (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node in vehicle.bus.cable:
            yield cls(node=node, offset=LARGE_V)
        yield cls(node=vehicle.bus.cable[0], offset=SMALL_V)
