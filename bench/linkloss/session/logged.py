"""Participants on the bus without a program: logged nodes, played frames, outsiders.

A logged node has no program: what it sends comes from a log. It has its node's controller at its
place on the cable, so faults of cable, frames, controller and supply hit it like any other. What
its program would have done about a fault is unknown: it continues as it was logged. Its controller
leaves bus-off by itself.

Outsiders are programs and real nodes that take part in a session from outside.

A log holds the instant at which a frame was received. So the player hands it to its controller one
frame length earlier: on a bus that is free then, the frame ends exactly when it was logged. On a
bus that is not free the frame is arbitrated like any other, and its delay is recorded.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from linkloss.bus import Bus, Controller, Frame
from linkloss.bus.controller import TransmitError
from linkloss.clock import Event, EventQueue, Priority
from linkloss.recording import (
    NOBODY,
    FaultRecord,
    LoggedFrame,
    NodeChange,
    Outside,
    OutsideEvent,
    Recording,
    Shift,
)
from linkloss.session.board import Output
from linkloss.vehicle.expression import Value
from linkloss.vehicle.tables import NodeTable


@dataclass(slots=True, eq=False)
class LoggedNode:
    """One node of the vehicle whose frames are played. It runs from instant zero on.

    After a reset its frames are left out until its boot is over; during a hang, until it resumes.
    """

    name: str
    table: NodeTable
    controller: Controller
    queue: EventQueue
    recording: Recording
    state: str = "reset"
    slow: bool = False
    outputs: dict[str, Output] = field(default_factory=dict)
    """Always empty: no log holds what its loads did."""
    _boot: Event | None = None

    def power_up(self) -> None:
        """It was running before the log began."""
        self._change("reset", "power-up")
        self._start()

    def supply_lost(self, by: str) -> None:
        """It leaves the bus."""
        self._stop()
        self._change("off", "supply", by)

    def supply_back(self) -> None:
        """It comes back as after a reset."""
        self._begin_boot("supply")

    def run_wild(self) -> None:
        """What it would do is unknown: it sends nothing new until its supply fails."""
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
        """It continues as it was logged."""
        if self.state == "hung":
            self._change("running", "fault")

    def input_changed(self, name: str, value: Value) -> None:
        """It has no program that could look at its inputs."""

    def end(self) -> None:
        """It has nothing to end."""

    def _start(self) -> None:
        self._boot = None
        self.controller.power_on()
        self._change("running", "boot")

    def _change(self, state: str, cause: str, by: str = "") -> None:
        self.state = state
        change = NodeChange(self.queue.now_ns, state, cause, by)
        self.recording.nodes[self.name].append(change)


MAILBOXES = 64
"""How many frames an adapter queues for its computer; from memory, a few dozen."""

Ear = Callable[[Frame], object]
"""Takes what is received for an outsider; the bus calls it, so it must not wait."""


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
        they know CAN FD; where nodes use it, a controller that did not would destroy their frames.
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
        """An outsider does something at this instant."""
        now_ns = self._queue.now_ns
        self._recording.outside.append(event._replace(at_ns=now_ns))
        if event.hands:
            self._note_hands(event)
        elif event.frame is None:
            self._show(self._controllers[event.name], event)
        elif not self._send(event.name, event.frame):
            self.refused[event.name] = self.refused.get(event.name, 0) + 1

    def controller(self, name: str) -> Controller:
        """The controller of an outsider."""
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
                faults[index] = replace(record, cleared_ns=now_ns)

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
        """Leave the bus once everything that the program sent is out."""
        if controller.name in self._leaving and not controller.pending():
            self._leaving.discard(controller.name)
            controller.power_off()


_STIMULUS = int(Priority.STIMULUS)

Feed = Callable[[Frame], bool]
"""Hands a frame to a controller; False if its node is silent at the time."""


class Player:
    """Plays a stream of logged frames one at a time, and holds only those in flight.

    :param feed_of: returns what takes the frames of a sender; called once for each sender.
    """

    def __init__(
        self,
        queue: EventQueue,
        bus: Bus,
        frames: Iterator[LoggedFrame],
        feed_of: Callable[[str], Feed],
    ) -> None:
        self._queue = queue
        self._bus = bus
        self._frames = frames
        self._feed_of = feed_of
        self._feeds: dict[str, Feed] = {}
        self._due: dict[int, int] = {}
        self._last_ns = 0
        self.shift = Shift()

    def begin(self) -> None:
        """Schedule the first frame."""
        self._schedule()

    def sent(self, frame: Frame) -> None:
        """A controller that plays has sent a frame."""
        due_ns = self._due.pop(id(frame), None)
        if due_ns is not None:
            now_ns = self._queue.now_ns
            self.shift.note(now_ns - due_ns, now_ns, frame)

    def _schedule(self) -> None:
        entry = next(self._frames, None)
        if entry is not None:
            start_ns = entry.at_ns - self._bus.frame_ns(entry.frame)
            self._queue.at(max(start_ns, self._last_ns), self._play, entry, priority=_STIMULUS)

    def _play(self, entry: LoggedFrame) -> None:
        at_ns, sender, frame = entry
        self._last_ns = self._queue.now_ns
        feed = self._feeds.get(sender)
        if feed is None:
            feed = self._feeds[sender] = self._feed_of(sender)
        self.shift.logged += 1
        self._due[id(frame)] = at_ns
        try:
            if not feed(frame):
                self.shift.silenced += 1
                del self._due[id(frame)]
        except TransmitError:
            self.shift.refused += 1
            del self._due[id(frame)]
        self._schedule()
