"""An input sticks: the nodes read one value whatever happens at its far end."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.faults.base import Fault, Undo
from linkloss.faults.leads import lead_problem, leads, stick
from linkloss.faults.rig import Rig
from linkloss.model.consistency import value_problem
from linkloss.model.loading import Vehicle
from linkloss.model.units import plain
from linkloss.model.vehicle import InputValue


class Stuck(Fault):
    """A switch or sensor reads one value: by default the one it has when the fault begins.

    With ``node`` only that node's lead is stuck, as by a chafed lead that touches ground or
    supply, and other nodes read the truth. Nodes are judged by the input as they see it.
    """

    kind = "stuck"
    group = "input"

    input: str
    node: str | None = Field(default=None, description="the only node that reads it; default: all")
    value: InputValue | None = Field(default=None, description="position or number that is read")

    def problem(self, vehicle: Vehicle) -> str:
        missing = lead_problem(vehicle, self.input, self.node)
        if missing or self.value is None:
            return missing
        return value_problem(self.input, vehicle.inputs[self.input], self.value)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        return stick(leads(rig, self.input, self.node), self.value)

    def describe(self) -> str:
        at = "" if self.value is None else f" at {plain(self.value)}"
        where = "" if self.node is None else f", as {self.node} reads it"
        return f"input {self.input} stuck{at}{where}"

    def nodes(self) -> tuple[str, ...]:
        return () if self.node is None else (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for name in vehicle.inputs:
            yield cls(input=name)
