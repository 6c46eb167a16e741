"""Two conductors of the CAN cable touch, or one of them touches the body or a supply lead."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random
from typing import get_args

from pydantic import Field

from linkloss.bus import cable
from linkloss.bus.cable import Contact
from linkloss.faults.base import Fault, Undo, node_problem
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle


class Short(Fault):
    """A short on the trunk beside a node, of no resistance. It acts on the piece of cable it is on.

    What it does follows from the levels (bus/circuit.py): CAN_H to CAN_L, CAN_H to ground
    and CAN_L to supply kill the bus; CAN_L to ground and CAN_H to supply only shift its levels.
    """

    kind = "short"
    group = "cable"
    wiring = True
    everywhere = True

    beside: str = Field(description="the node beside which it is")
    contact: Contact = Field(description="which two touch")

    def problem(self, vehicle: Vehicle) -> str:
        return node_problem(vehicle, self.beside)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        short = cable.Short(self.beside, self.contact)
        with rig.bus.rewiring(self.beside) as it:
            it.shorts.append(short)

        def undo() -> None:
            with rig.bus.rewiring() as it:
                it.shorts.remove(short)

        return undo

    def describe(self) -> str:
        first, second = self.contact.split("-")
        return f"{first} touched {second} beside {self.beside}"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        nodes = vehicle.bus.cable
        for contact in get_args(Contact):  # once each: where it is makes no difference to levels
            yield cls(beside=nodes[len(nodes) // 2], contact=contact)
