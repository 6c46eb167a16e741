"""An input's lead has come off."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.faults.base import Fault, Undo
from linkloss.faults.leads import lead_problem, leads, stick
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle


class Open(Fault):
    """The nodes read what the input declares as ``open_reads``, or else its value at rest.

    With ``node`` only that node's lead is off, and other nodes read the truth.
    """

    kind = "open"
    group = "input"

    input: str
    node: str | None = Field(default=None, description="the only node it is off; default: all")

    def problem(self, vehicle: Vehicle) -> str:
        return lead_problem(vehicle, self.input, self.node)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        table = rig.vehicle.inputs[self.input]
        reads = table.rest if table.open_reads is None else table.open_reads
        return stick(leads(rig, self.input, self.node), reads)

    def describe(self) -> str:
        where = "" if self.node is None else f" at {self.node}"
        return f"the lead of input {self.input} came off{where}"

    def nodes(self) -> tuple[str, ...]:
        return () if self.node is None else (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for name in vehicle.inputs:
            yield cls(input=name)
