"""Participants on the bus without a program: logged nodes, played frames, outsiders.

A logged node has no program: what it sends comes from a log. It has its node's controller at its
place on the cable, so faults of cable, frames, controller and supply hit it like any other. What
its program would have done about a fault is unknown: it continues as it was logged. Its controller
leaves bus-off by itself.

Outsiders are programs and real nodes that take part in a session from outside.

A log holds the instant at which a frame was received. So the player hands it to its controller one
frame length earlier: on a bus that is free then, the frame ends exactly when it was logged. On a
bus that is not free the frame is arbitrated like any other, and its delay is recorded. The queue
has no limit: what was on the bus once finds its place on it again.

While a fault keeps a node from sending, its frames fall away at their instants:

    log     |  |  |  |  |  |  |  |
    bus     |  |              |  |     no burst of old frames behind the fault
                [ unplugged ]

A frame that a fault only holds up falls away as soon as it would leave more than one of its cycles
late. Without a fault nothing falls away, however late it is.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from copy import copy
from dataclasses import dataclass, field, replace
from types import MappingProxyType

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

NO_LOG = "no log"
"""Why a logged node is off in a run that plays no log."""


@dataclass(slots=True, eq=False)
class LoggedNode:
    """One node of the vehicle whose frames are played. It runs from instant zero on.

    After a reset its frames are left out until its boot is over; during a hang, until it resumes.
    ``absent``: there is no log, and it stays off the bus. ``real``: its frames come from a real
    node, which a reset is carried out at (``on_reset``), and what its inputs read is made for it
    (``on_input``). What it then does is its own.
    """

    name: str
    table: NodeTable
    controller: Controller
    queue: EventQueue
    recording: Recording
    absent: bool = False
    real: bool = False
    on_reset: Callable[[], object] | None = None
    on_input: Callable[[str, Value], object] | None = None
    state: str = "reset"
    slow: bool = False
    outputs: dict[str, Output] = field(default_factory=dict)
    """Always empty: no log holds what its loads did."""
    _boot: Event | None = None

    def on(self, bus: str | None) -> Controller:
        """Its controller: it is on one bus only."""
        return self.controller

    def power_up(self) -> None:
        """It was running before the log began."""
        if self.absent:
            self._change("off", NO_LOG)
            return
        self._change("reset", "power-up")
        self._start()

    def supply_lost(self, by: str) -> None:
        """It leaves the bus."""
        if self.absent:
            return
        self._stop()
        self._change("off", "supply", by)

    def supply_back(self) -> None:
        """It comes back as after a reset."""
        if not self.absent:
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

    def play(self, frame: Frame) -> bool:
        """The same of a log that is played: a mute node leaves nothing behind to be sent later."""
        return not self.controller.muted and self.feed(frame)

    def reset(self, cause: str) -> None:
        """It is off the bus until its boot is over; a real one for as long as that takes it."""
        if self.real:
            self._change("reset", cause)
            self._change("running", "boot")
            if self.on_reset is not None:
                self.on_reset()
            return
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
        """It has no program that could look at its inputs, unless it is real."""
        if self.on_input is not None:
            self.on_input(name, value)

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
UNLIMITED = sys.maxsize
"""Mailboxes of a controller that plays."""
CYCLE_NS = 1_000_000_000
"""Of a frame whose cycle is not known."""
_AGAIN_NS = 1_000_000
"""How soon the player looks again at a frame that is overdue and could not be withdrawn."""

Feed = Callable[[Frame], bool]
"""Hands a frame to a controller; False if its node is silent at the time."""
Blame = Callable[[str, int], str]
"""What the fault did that keeps a sender from the bus, or did so at some time since an instant (in
ns); empty if there is none."""


_Flight = tuple[int, int, str, Frame]
"""A frame that was handed over: when it is to end, when it must have left (in ns), its sender."""


class Player:
    """Plays a stream of logged frames one at a time, and holds only those in flight.

    :param feed_of: returns what takes the frames of a sender; called once for each sender.
    :param cycles: how often a frame comes, in ns, by its arbitration word.
    :param blame: names the fault under which a frame is counted that does not reach the bus.
    """

    def __init__(
        self,
        queue: EventQueue,
        bus: Bus,
        frames: Iterator[LoggedFrame],
        feed_of: Callable[[str], Feed],
        cycles: Mapping[int, int] = MappingProxyType({}),
        blame: Blame = lambda _sender, _since_ns: "",
    ) -> None:
        self._queue = queue
        self._bus = bus
        self._frames = frames
        self._feed_of = feed_of
        self._feeds: dict[str, Feed] = {}
        self._controllers: dict[str, Controller] = {}
        self._cycles = cycles
        self._blame = blame
        self._flights: dict[int, _Flight] = {}
        self._alarm: Event | None = None
        self._alarm_ns = 0
        self._last_ns = 0
        self.shift = Shift()

    def begin(self) -> None:
        """Schedule the first frame."""
        self._schedule()

    def plays(self, controller: Controller) -> None:
        """A controller sends frames of the log and nothing else."""
        self._controllers[controller.name] = controller
        controller.on_sent = self._sent
        controller.on_lost = self._lost

    @property
    def waiting(self) -> bool:
        """Whether frames that were handed over have not left yet."""
        return bool(self._flights)

    def unheard(self, sender: str) -> None:
        """Nobody has acknowledged a frame. If nobody is there, all that waits behind it falls away
        with it.
        """
        controller = self._controllers.get(sender)
        if controller is not None and self._bus.alone(controller):
            controller.abort_pending()

    def close(self) -> None:
        """The run is over. What has not left by now is lost."""
        for _, _, _, frame in list(self._flights.values()):
            self._lost(frame)

    def _sent(self, frame: Frame) -> None:
        flight = self._flights.pop(id(frame), None)
        if flight is not None:
            now_ns = self._queue.now_ns
            self.shift.note(now_ns - flight[0], now_ns, frame)

    def _lost(self, frame: Frame) -> None:
        flight = self._flights.pop(id(frame), None)
        if flight is None:
            return
        told = self._blame(flight[2], flight[0])
        if told:
            self.shift.fallen[told] = self.shift.fallen.get(told, 0) + 1
        else:
            self.shift.stray += 1

    def _schedule(self) -> None:
        entry = next(self._frames, None)
        if entry is not None:
            start_ns = entry.at_ns - self._bus.frame_ns(entry.frame)
            at_ns = max(start_ns, self._last_ns)
            self._queue.at(at_ns, self._play, entry, start_ns, priority=_STIMULUS)

    def _play(self, entry: LoggedFrame, start_ns: int) -> None:
        at_ns, sender, frame = entry
        self._last_ns = self._queue.now_ns
        feed = self._feeds.get(sender)
        if feed is None:
            feed = self._feeds[sender] = self._feed_of(sender)
        self.shift.logged += 1
        if id(frame) in self._flights:
            frame = copy(frame)
        until_ns = start_ns + self._cycles.get(frame.head.word, CYCLE_NS)
        self._flights[id(frame)] = (at_ns, until_ns, sender, frame)
        try:
            if not feed(frame):
                self.shift.silenced += 1
                self._lost(frame)
        except TransmitError:
            self.shift.refused += 1
            self._lost(frame)
        if self._alarm is None or until_ns < self._alarm_ns:
            self._look_at(until_ns)
        self._schedule()

    def _look_at(self, until_ns: int) -> None:
        """Look through the frames in flight right behind an instant."""
        if self._alarm is not None:
            self._queue.cancel(self._alarm)
        self._alarm_ns = until_ns
        self._alarm = self._queue.at(until_ns + 1, self._drop_old, priority=_STIMULUS)

    def _drop_old(self) -> None:
        now_ns = self._queue.now_ns
        self._alarm = None
        for at_ns, until_ns, sender, frame in list(self._flights.values()):
            if until_ns < now_ns:
                controller = self._controllers[sender]
                late_by_fault = controller.outgoing or controller.delayed
                if not late_by_fault and self._blame(sender, at_ns):
                    controller.withdraw(frame)
        if self._flights:
            next_ns = min(until_ns for _, until_ns, _, _ in self._flights.values())
            self._look_at(max(next_ns, now_ns + _AGAIN_NS))
