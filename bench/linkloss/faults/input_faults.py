"""Faults of inputs: stuck, open, bouncing.

:class:`InputFault` is what they have in common: the input, and which of its leads they affect.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.faults.base import Fault, Line, Rig, Undo
from linkloss.problem import unknown
from linkloss.units import Duration, plain, show_duration
from linkloss.vehicle.consistency import value_problem
from linkloss.vehicle.expression import Value
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.tables import InputValue


class InputFault(Fault):
    """A fault of an input: of the leads to all nodes that read it, or only to ``node``."""

    group = "input"

    input: str

    def problem(self, vehicle: Vehicle) -> str:
        if self.input not in vehicle.inputs:
            return unknown("input", self.input, vehicle.inputs)
        wired_to = vehicle.inputs[self.input].wired_to
        for node in self.nodes():
            if node in vehicle.nodes and node not in wired_to:
                others = ", ".join(wired_to)
                return f"input '{self.input}' is wired to {others}, not to node '{node}'"
        return super().problem(vehicle)

    def leads(self, rig: Rig) -> list[Line]:
        """The leads that the fault affects."""
        lines = rig.inputs.lines(self.input)
        return [lines[node] for node in self.nodes() or lines]

    def stick(self, rig: Rig, value: Value | None) -> Undo:
        """Let the nodes read one value (None: the one that each reads now) until this is undone."""
        leads = self.leads(rig)
        freeing = [lead.stick(lead.value if value is None else value) for lead in leads]

        def free() -> None:
            for release in freeing:
                release()

        return free

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for name in vehicle.inputs:
            yield cls(input=name)


class Stuck(InputFault):
    """A switch or sensor reads one value: by default the one it has when the fault begins.

    With ``node`` only that node's lead is stuck, as when a chafed lead touches ground or supply,
    and other nodes read the true value. Nodes are judged by the input as they see it.
    """

    kind = "stuck"

    node: str | None = Field(default=None, description="the only node that reads it; default: all")
    value: InputValue | None = Field(default=None, description="position or number that is read")

    def problem(self, vehicle: Vehicle) -> str:
        missing = super().problem(vehicle)
        if missing or self.value is None:
            return missing
        return value_problem(self.input, vehicle.inputs[self.input], self.value)

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        return self.stick(rig, self.value)

    def describe(self) -> str:
        at = "" if self.value is None else f" at {plain(self.value)}"
        where = "" if self.node is None else f", as {self.node} reads it"
        return f"input {self.input} stuck{at}{where}"


class Open(InputFault):
    """The nodes read what the input declares as ``open_reads``, or else its value at rest.

    With ``node`` only that node's lead is off, and other nodes read the true value.
    """

    kind = "open"

    node: str | None = Field(default=None, description="only this node's lead is off; default: all")

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        table = rig.vehicle.inputs[self.input]
        reads = table.rest if table.open_reads is None else table.open_reads
        return self.stick(rig, reads)

    def describe(self) -> str:
        where = "" if self.node is None else f" at {self.node}"
        return f"the lead of input {self.input} came off{where}"


DEFAULT_BOUNCE_NS = 8_000_000
"""Common practice: most switches are quiet after 5 to 10 ms."""

_MOST_FLIPS = 5


class Bounce(InputFault):
    """Each change of a switch is followed by one to five false flips back and forth.

    The first contact comes at once; the switch is quiet in its new position after ``settles_in``
    at the latest. Each lead bounces independently. Bouncing that has begun when the fault clears
    ends in its own time.
    """

    kind = "bounce"
    needs = "no switch has 'bounces = true'"

    settles_in: Duration = Field(
        default=DEFAULT_BOUNCE_NS, ge=1_000, description="longest bouncing; default: 8 ms"
    )

    def problem(self, vehicle: Vehicle) -> str:
        missing = super().problem(vehicle)
        if missing or vehicle.inputs[self.input].positions is not None:
            return missing
        return f"input '{self.input}' is a sensor; only a switch has contacts that bounce"

    def apply(self, rig: Rig, random: Random) -> Undo:
        lines = self.leads(rig)

        def edges(old: Value, new: Value) -> list[tuple[int, Value]]:
            return bounces(old, new, self.settles_in, random)

        for line in lines:
            line.edges = edges

        def undo() -> None:
            for line in lines:
                line.edges = None

        return undo

    def describe(self) -> str:
        return f"the contacts of input {self.input} bounced for {show_duration(self.settles_in)}"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for name, table in vehicle.inputs.items():
            if table.bounces and table.positions is not None:
                yield cls(input=name)


def bounces(old: Value, new: Value, lasts_ns: int, random: Random) -> list[tuple[int, Value]]:
    """The edges after a change, as (delay in ns, value): back from the new value, and to it again.

    The delays grow and none is longer than ``lasts_ns``.
    """
    flips = random.randint(1, _MOST_FLIPS)
    delays = sorted(random.sample(range(1, lasts_ns + 1), 2 * flips))
    return [(0, new)] + [
        (delay_ns, old if index % 2 == 0 else new) for index, delay_ns in enumerate(delays)
    ]
