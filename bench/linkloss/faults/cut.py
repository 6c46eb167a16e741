"""The CAN cable is cut between two neighbours: two live buses remain."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from random import Random

from pydantic import Field

from linkloss.bus.cable import Conductor
from linkloss.faults.base import Fault, Undo, node_problem
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle


class Cut(Fault):
    """The trunk is cut; each side keeps its own traffic.

    With one conductor cut the sides still share the other one. By the levels, each terminator then
    pulls its own side to that conductor, and neither side sees a dominant bit of the other; what a
    real one picks up by crosstalk is left out (bus/circuit.py).
    """

    kind = "cut"
    group = "cable"

    between: tuple[str, str]
    conductor: Conductor = Field(default="both", description="default: both")

    def problem(self, vehicle: Vehicle) -> str:
        missing = node_problem(vehicle, *self.between)
        if missing:
            return missing
        if tuple(sorted(self.between)) not in {
            tuple(sorted(pair)) for pair in pairwise(vehicle.bus.cable)
        }:
            cable = ", ".join(vehicle.bus.cable)
            left, right = self.between
            return f"'{left}' and '{right}' are no neighbours; the cable runs {cable}"
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        left, right = self.between
        rig.bus.cut(left, right, self.conductor)
        return lambda: rig.bus.mend(left, right, self.conductor)

    def describe(self) -> str:
        what = "the cable" if self.conductor == "both" else self.conductor
        return f"{what} between {self.between[0]} and {self.between[1]} was cut"

    def label(self) -> str:
        only = "" if self.conductor == "both" else f",conductor={self.conductor}"
        return f"cut({self.between[0]},{self.between[1]}{only})"

    def reaches(self, vehicle: Vehicle, message: str, sender: str, receiver: str) -> bool:  # noqa: ARG002
        cable = vehicle.bus.cable
        left = max(map(cable.index, self.between))
        return (cable.index(sender) < left) != (cable.index(receiver) < left)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for left, right in pairwise(vehicle.bus.cable):
            yield cls(between=(left, right))

    @classmethod
    def of_wiring(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for left, right in pairwise(vehicle.bus.cable):
            yield cls(between=(left, right), conductor="CAN_H")
            yield cls(between=(left, right), conductor="CAN_L")
