"""The contacts of a switch bounce."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.faults.base import Fault, Undo
from linkloss.faults.leads import lead_problem, leads
from linkloss.faults.rig import Rig
from linkloss.model.expression import Value
from linkloss.model.loading import Vehicle
from linkloss.model.units import Duration, show_duration

DEFAULT_BOUNCE_NS = 8_000_000
"""Common practice: most switches are quiet after 5 to 10 ms."""

_MOST_FLIPS = 5


class Bounce(Fault):
    """Each change of a switch is followed by one to five false flips back and forth.

    The first contact comes at once; the switch is quiet in its new position after ``settles_in``
    at the latest. Each lead bounces by itself. Bouncing that has begun when the fault clears
    ends in its own time.
    """

    kind = "bounce"
    group = "input"
    needs = "no switch has 'bounces = true'"

    input: str
    settles_in: Duration = Field(
        default=DEFAULT_BOUNCE_NS, ge=1_000, description="longest bouncing; default: 8 ms"
    )

    def problem(self, vehicle: Vehicle) -> str:
        missing = lead_problem(vehicle, self.input, None)
        if missing or vehicle.inputs[self.input].positions is not None:
            return missing
        return f"input '{self.input}' is a sensor; only a switch has contacts that bounce"

    def apply(self, rig: Rig, random: Random) -> Undo:
        lines = leads(rig, self.input, None)

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
    """The edges after a change, as (delay in ns, value): from the new value back, and again new.

    The delays grow and none is longer than ``lasts_ns``.
    """
    flips = random.randint(1, _MOST_FLIPS)
    delays = sorted(random.sample(range(1, lasts_ns + 1), 2 * flips))
    return [(0, new)] + [
        (delay_ns, old if index % 2 == 0 else new) for index, delay_ns in enumerate(delays)
    ]
