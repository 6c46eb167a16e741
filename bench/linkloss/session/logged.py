"""A node without a program: what it sends comes out of a log.

It has the controller of its node at its place on the cable, so faults of cable, frames, controller
and supply hit it like any other. What its program would have done about a fault nobody knows: it
goes on as it was logged. Its controller leaves bus-off by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from linkloss.bus import Controller, Frame
from linkloss.clock import Event, EventQueue
from linkloss.model.expression import Value
from linkloss.model.vehicle import NodeTable
from linkloss.recording import NodeChange, Recording
from linkloss.session.pins import Output


@dataclass(slots=True, eq=False)
class LoggedNode:
    """One node of the vehicle whose frames are played. It runs from instant zero on.

    Reset, its frames are left out until its boot is over; hung, until it goes on.
    """

    name: str
    table: NodeTable
    controller: Controller
    queue: EventQueue
    recording: Recording
    state: str = "reset"
    slow: bool = False
    outputs: dict[str, Output] = field(default_factory=dict)
    """Always empty: what its loads did is in no log."""
    _boot: Event | None = None

    def power_up(self) -> None:
        """It was running before the log began."""
        self._change("reset", "power-up")
        self._start()

    def supply_lost(self, by: str) -> None:
        """It is off the bus."""
        self._stop()
        self._change("off", "supply", by)

    def supply_back(self) -> None:
        """It comes back as after a reset."""
        self._begin_boot("supply")

    def run_wild(self) -> None:
        """What it would do nobody knows: nothing new is sent until its supply fails."""
        if self.state == "running":
            self._change("hung", "supply")

    def feed(self, frame: Frame) -> bool:
        """Send a frame of the log, unless the node is silent. Raises TransmitError."""
        if self.state != "running":
            return False
        self.controller.send(frame)
        return True

    def reset(self, cause: str) -> None:
        """It is off the bus until its boot is over."""
        if self.state != "off":
            self._stop()
            self._begin_boot(cause)

    def _stop(self) -> None:
        if self._boot is not None:
            self.queue.cancel(self._boot)
            self._boot = None
        self.controller.power_off()

    def _begin_boot(self, cause: str) -> None:
        self._change("reset", cause)
        boot_ns = self.table.boot if self.slow else self.table.usual_boot_ns
        self._boot = self.queue.after(boot_ns, self._start)

    def hang(self) -> None:
        """Its controller is alive, but nothing new is sent."""
        if self.state == "running":
            self._change("hung", "fault")

    def resume(self) -> None:
        """It goes on as it was logged."""
        if self.state == "hung":
            self._change("running", "fault")

    def input_changed(self, name: str, value: Value) -> None:
        """It has no program that could look at its inputs."""

    def end(self) -> None:
        """Nothing is left to end."""

    def _start(self) -> None:
        self._boot = None
        self.controller.power_on()
        self._change("running", "boot")

    def _change(self, state: str, cause: str, by: str = "") -> None:
        self.state = state
        change = NodeChange(self.queue.now_ns, state, cause, by)
        self.recording.nodes[self.name].append(change)
