"""One node babbles: the bus is full of its frames."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.bus import Controller, Frame
from linkloss.bus.frame import INTERMISSION_BITS, length_bits
from linkloss.clock import Event
from linkloss.faults.base import Fault, Undo, node_problem
from linkloss.faults.intruder import intrude
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle

_CONTENT = bytes([0x55] * 8)
"""Alternating bits: no stuff bit in the data field."""


class Flood(Fault):
    """A node sends frames of a low identifier, by default without a pause.

    With a share of 1 a frame is always pending: whatever ranks behind its identifier stays away,
    the node's own messages too. A smaller share leaves pauses between the frames. When the fault
    clears, a frame that is on the bus breaks off.
    """

    kind = "flood"
    group = "frames"
    everywhere = True

    node: str
    identifier: int = Field(default=0, ge=0, le=0x7FF, description="11-bit identifier; default: 0")
    share: float = Field(default=1.0, gt=0, le=1, description="of the bus's time; default: all")

    def problem(self, vehicle: Vehicle) -> str:
        for message in vehicle.messages.values():
            if message.identifier == self.identifier and not message.extended:
                text = f"identifier 0x{self.identifier:03X} belongs to message '{message.name}'"
                return f"{text}; for a second sender of it use 'impostor'"
        return node_problem(vehicle, self.node)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        babble = _Babble(rig, self)
        babble.send()
        return babble.stop

    def describe(self) -> str:
        much = "" if self.share == 1 else f" for {self.share * 100:.3g} % of the time"
        return f"{self.node} flooded the bus with identifier 0x{self.identifier:03X}{much}"

    def nodes(self) -> tuple[str, ...]:
        return (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        taken = {m.identifier for m in vehicle.messages.values() if not m.extended}
        free = next((number for number in range(0x800) if number not in taken), None)
        if free is not None:  # once: all hear it alike, wherever it sits
            yield cls(node=vehicle.bus.cable[-1], identifier=free)


class _Babble:
    """The babbling controller, which sends anew whenever a frame has gone."""

    def __init__(self, rig: Rig, fault: Flood) -> None:
        self._bus = rig.bus
        self._queue = rig.queue
        self._frame = Frame(fault.identifier, _CONTENT)
        span_ns = rig.bus.span_ns(length_bits(self._frame) + INTERMISSION_BITS)
        self._pause_ns = round(span_ns * (1 / fault.share - 1))
        self._next: Event | None = None
        self._controller = intrude(rig, "babbler", fault.node, mailboxes=1)
        self._controller.on_sent = self._sent
        self._controller.on_state = self._state_changed

    def send(self) -> None:
        self._next = None
        if self._controller.online and not self._controller.pending():
            self._controller.send(self._frame)

    def _sent(self, frame: Frame) -> None:  # noqa: ARG002 - it is always the same one
        if self._pause_ns == 0:
            self.send()
        else:
            self._next = self._queue.after(self._pause_ns, self.send)

    def _state_changed(self, controller: Controller) -> None:
        """Back from bus-off, where the pending frame was lost."""
        if controller.online and self._next is None:
            self.send()

    def stop(self) -> None:
        if self._next is not None:
            self._queue.cancel(self._next)
            self._next = None
        self._controller.on_sent = self._controller.on_state = None
        self._bus.detach(self._controller)
