"""A transceiver drives the bus dominant and does not stop."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.clock import Event
from linkloss.clock.queue import Priority
from linkloss.faults.base import Fault, Undo, node_problem
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle
from linkloss.model.units import Duration, show_duration

MS = 1_000_000


class StuckDominant(Fault):
    """The line from a node's controller to its transceiver is stuck dominant.

    Without a dominant time-out in the transceiver nobody can send until it is over. With one, the
    transceiver lets go after that time, and then sends nothing more until the fault is cleared; the
    node goes on hearing the bus.
    """

    kind = "stuck_dominant"
    group = "node"
    wiring = True
    everywhere = True

    node: str
    time_out: Duration | None = Field(
        default=None, gt=0, description="dominant time-out of the transceiver; default: none"
    )

    def problem(self, vehicle: Vehicle) -> str:
        return node_problem(vehicle, self.node)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        return _Stuck(rig, self.node, self.time_out).end

    def describe(self) -> str:
        text = f"the transceiver of {self.node} was stuck dominant"
        return text if self.time_out is None else f"{text} for {show_duration(self.time_out)}"

    def nodes(self) -> tuple[str, ...]:
        return (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        yield cls(node=vehicle.bus.cable[0])  # once: all see it alike, wherever it sits
        for node in vehicle.bus.cable:
            yield cls(node=node, time_out=2 * MS)


class _Stuck:
    """The transceiver: first it drives the bus, then, if it has a time-out, nothing any more."""

    def __init__(self, rig: Rig, node: str, time_out_ns: int | None) -> None:
        self._rig = rig
        self._node = node
        self._release: Event | None = None
        with rig.bus.rewiring(node) as cable:
            cable.stuck.append(node)
        if time_out_ns is not None:
            self._release = rig.queue.after(time_out_ns, self._let_go, priority=Priority.STIMULUS)
        self._dead = False

    def _let_go(self) -> None:
        self._release, self._dead = None, True
        with self._rig.bus.rewiring() as cable:
            cable.stuck.remove(self._node)
            cable.dead.append(self._node)

    def end(self) -> None:
        if self._release is not None:
            self._rig.queue.cancel(self._release)
        with self._rig.bus.rewiring() as cable:
            (cable.dead if self._dead else cable.stuck).remove(self._node)
