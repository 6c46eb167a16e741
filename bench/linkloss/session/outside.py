"""The controllers of programs and real nodes that take part in a session from outside."""

from __future__ import annotations

from collections.abc import Callable

from linkloss.bus import Bus, Controller, Frame
from linkloss.bus.refusal import TransmitError
from linkloss.clock import EventQueue
from linkloss.outside import NOBODY, Outside, OutsideEvent
from linkloss.recording import FaultRecord, Recording
from linkloss.session.logged import LoggedNode

MAILBOXES = 64
"""An adapter queues what its computer sends; from memory, a few dozen frames."""

Ear = Callable[[Frame], object]
"""Takes what is received for somebody outside; called by the bus, so it must not wait."""


class Outsiders:
    """Those who take part from outside, by name.

    ``refused`` counts by name the frames that found no free mailbox, or a controller off the bus.
    """

    def __init__(self, outside: Outside | None, queue: EventQueue, recording: Recording) -> None:
        self.outside = NOBODY if outside is None else outside
        self.refused: dict[str, int] = {}
        self.ears: dict[str, Ear] = {}
        self._queue = queue
        self._leaving: set[str] = set()
        self._recording = recording
        self._controllers: dict[str, Controller] = {}
        self._nodes: dict[str, LoggedNode] = {}

    def attach(self, bus: Bus, *, fd: bool) -> None:
        """Put the programs' controllers at the far end of the cable, switched off. ``fd``: whether
        they know CAN FD; where nodes do, one that did not would destroy their frames.
        """
        for name in self.outside.programs:
            controller = Controller(
                name, mailboxes=MAILBOXES, order="fifo", auto_recovery=True, fd=fd
            )
            bus.attach(controller)
            controller.power_off()
            controller.on_sent = lambda _, one=controller: self._when_sent(one)
            controller.on_state = self._when_sent
            self._adopt(name, controller)

    def add_node(self, node: LoggedNode) -> None:
        """A node of the vehicle is real."""
        self._nodes[node.name] = node
        self._adopt(node.name, node.controller)

    def act(self, event: OutsideEvent) -> None:
        """Somebody outside does something at this instant."""
        now_ns = self._queue.now_ns
        self._recording.outside.append(event._replace(at_ns=now_ns))
        if event.hands:
            self._note_hands(event)
        elif event.frame is None:
            self._show(self._controllers[event.name], event)
        elif not self._send(event.name, event.frame):
            self.refused[event.name] = self.refused.get(event.name, 0) + 1

    def controller(self, name: str) -> Controller:
        """Whose controller it is."""
        return self._controllers[name]

    def _adopt(self, name: str, controller: Controller) -> None:
        self._controllers[name] = controller
        controller.on_receive = lambda heard: self._hear(name, heard)

    def _hear(self, name: str, controller: Controller) -> None:
        ear = self.ears.get(name)
        while (received := controller.receive()) is not None:
            if ear is not None:
                ear(received[1])

    def _send(self, name: str, frame: Frame) -> bool:
        node = self._nodes.get(name)
        try:
            if node is not None:
                return node.feed(frame)
            self._controllers[name].send(frame)
        except TransmitError:
            return False
        return True

    def _note_hands(self, event: OutsideEvent) -> None:
        """A person did something to a real node: a fault, until it is undone."""
        now_ns, faults = self._queue.now_ns, self._recording.faults
        if event.presence == "off":
            nodes = (event.name,)
            record = FaultRecord("by_hand", event.hands, "node", False, nodes, now_ns, None)
            faults.append(record)
            return
        for index, record in enumerate(faults):
            if record.text == event.hands and record.cleared_ns is None:
                faults[index] = record._replace(cleared_ns=now_ns)

    def _show(self, controller: Controller, event: OutsideEvent) -> None:
        if event.presence == "off":
            self._leaving.add(controller.name)
            self._go(controller)
            return
        self._leaving.discard(controller.name)
        controller.listen(only=event.presence == "listen")
        controller.power_on()

    def _when_sent(self, controller: Controller) -> None:
        if controller.name in self._leaving:
            self._queue.at(self._queue.now_ns, self._go, controller)

    def _go(self, controller: Controller) -> None:
        """Off the bus, as soon as what the program sent is out."""
        if controller.name in self._leaving and not controller.pending():
            self._leaving.discard(controller.name)
            controller.power_off()
