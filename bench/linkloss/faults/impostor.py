"""Two nodes send one identifier: the true sender, and one with old content."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from linkloss.bus import Frame
from linkloss.clock import Event
from linkloss.faults.base import Fault, Undo, message_problem, node_problem
from linkloss.faults.intruder import intrude
from linkloss.faults.rig import Rig
from linkloss.faults.traffic import last_sent, requests
from linkloss.model.loading import Vehicle
from linkloss.model.messages import MessageInfo


class Impostor(Fault):
    """A second controller beside a node sends a message too, with the last content seen before.

    It sends at the message's period, midway between the frames of the true sender as they came
    before the fault; counter and checksum are those of the old frame. If none has been seen, it
    waits for the first one. Where both start at one instant, their frames collide. When the
    fault clears, an impostor's frame that is on the bus breaks off.
    """

    kind = "impostor"
    group = "frames"
    content = True

    message: str
    node: str

    def problem(self, vehicle: Vehicle) -> str:
        missing = message_problem(vehicle, self.message) or node_problem(vehicle, self.node)
        if not missing and not vehicle.messages[self.message].period_ns:
            return f"message '{self.message}' has no cycle time in the DBC to be sent at"
        return missing

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        rival = _Rival(rig, rig.vehicle.messages[self.message], self.node)
        return rival.stop

    def describe(self) -> str:
        return f"a second sender of {self.message} with old content appeared at {self.node}"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for message, nodes in requests(vehicle).items():
            if vehicle.messages[message].period_ns:
                yield cls(message=message, node=nodes[0])


class _Rival:
    """The second sender."""

    def __init__(self, rig: Rig, message: MessageInfo, node: str) -> None:
        assert message.period_ns is not None, "problem() has seen to it"
        self._rig = rig
        self._message = message
        self._period_ns = message.period_ns
        self._controller = intrude(rig, "impostor", node, mailboxes=1)
        last = last_sent(rig, message)
        self._frame: Frame | None = None if last is None else last.frame
        start_ns = rig.queue.now_ns if last is None else last.start_ns
        late_ns = (rig.queue.now_ns - start_ns - self._period_ns // 2) % self._period_ns
        self._next: Event = rig.queue.after(self._period_ns - late_ns, self._send)

    def _send(self) -> None:
        self._next = self._rig.queue.after(self._period_ns, self._send)
        if self._frame is None:
            last = last_sent(self._rig, self._message)
            self._frame = None if last is None else last.frame
        if self._frame is not None and self._controller.ready and not self._controller.pending():
            self._controller.send(self._frame)

    def stop(self) -> None:
        self._rig.queue.cancel(self._next)
        self._rig.bus.detach(self._controller)
