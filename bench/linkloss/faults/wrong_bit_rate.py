"""A node runs at another bit rate than the bus."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.faults.base import Fault, Undo, node_problem
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle
from linkloss.model.units import BitRate, write_bit_rate


class WrongBitRate(Fault):
    """A node's controller runs at a wrong bit rate, as with the wrong crystal.

    It reads the bus at the nominal sample points (bus/interlude.py); resynchronisation is
    left out, which would not help it for longer than a few bits.
    """

    kind = "wrong_bit_rate"
    group = "node"
    wiring = True
    everywhere = True

    node: str
    bit_rate: BitRate = Field(description="the bit rate that it runs at")

    def problem(self, vehicle: Vehicle) -> str:
        missing = node_problem(vehicle, self.node)
        if not missing and self.bit_rate == vehicle.bus.bit_rate:
            return f"{write_bit_rate(self.bit_rate)} is the bit rate of the bus itself"
        return missing

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        controller = rig.hosts[self.node].controller
        with rig.bus.rewiring(self.node):
            before, controller.bit_rate = controller.bit_rate, self.bit_rate

        def undo() -> None:
            with rig.bus.rewiring():
                controller.bit_rate = before

        return undo

    def describe(self) -> str:
        return f"{self.node} ran at {write_bit_rate(self.bit_rate)}"

    def nodes(self) -> tuple[str, ...]:
        return (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        rate = vehicle.bus.bit_rate
        other = rate // 2 if rate // 2 >= 10_000 else rate * 2
        for node in vehicle.bus.cable:  # half of it: a crystal of 8 MHz instead of 16
            yield cls(node=node, bit_rate=other)
