"""A session: a vehicle built on a clock and a bus, a scenario run on it, everything recorded.

A session may be paced by the wall clock, for a person who watches it. Nothing in a run depends on
that: the pace only waits between two events.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import takewhile
from random import Random
from typing import TYPE_CHECKING, Any, NamedTuple

import can

from linkloss.bus import Bus, BusRecord, Controller, Frame, open_channel
from linkloss.bus.cable import Line
from linkloss.bus.controller import ErrorState, Filter
from linkloss.clock import EventQueue, OwnClock, Priority, VirtualLoop
from linkloss.clock.wallclock import monotonic_seconds, wait_seconds
from linkloss.faults.base import Fault
from linkloss.firmware.guard import follow
from linkloss.problem import BadInput, Problem
from linkloss.recording import (
    NOBODY,
    REST,
    ActionRecord,
    ControllerChange,
    FaultRecord,
    Foreign,
    Handed,
    OutsideEvent,
    Recording,
    Traffic,
    note_bit,
    side,
)
from linkloss.session.board import Inputs, Output
from linkloss.session.electrics import make_power
from linkloss.session.host import NodeHost, Surroundings, Way, clock_at_work, make_task
from linkloss.session.logged import (
    MAILBOXES,
    UNLIMITED,
    Feed,
    LoggedNode,
    Outsiders,
    Player,
)
from linkloss.session.watched import Watching
from linkloss.vehicle.expression import Value
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo
from linkloss.vehicle.tables import BASE_MASK, EXTENDED_MASK, FilterTable, write_identifier

if TYPE_CHECKING:
    from linkloss.scenario import Scenario, TimedFault


def make_controller(
    vehicle: Vehicle,
    name: str,
    bus: str,
    *,
    logged: bool = False,
    real: bool = False,
    watching: Watching | None = None,
) -> Controller:
    """A node's controller for a bus, with the properties from the vehicle file, not yet on it.

    :param logged: its frames come from a log: each is repeated until it is sent, whatever the
        node's program would have asked for.
    :param real: its frames come from a real node, and have left that node's own mailboxes already.
    :param watching: notes what becomes of the frames that come to it.
    """
    table = vehicle.nodes[name]
    settings: dict[str, Any] = {
        "mailboxes": MAILBOXES if real else UNLIMITED if logged else table.mailboxes,
        "order": "fifo" if real else table.mailbox_order,
        "receive_depth": table.receive_depth,
        "auto_recovery": table.auto_recovery or logged,
        "listen_only": table.listen_only and not logged,
        "single_shot": table.single_shot and not logged,
        "fd": table.fd,
        "overwrites": table.receive_overrun == "overwrite",
        "filters": [
            _filter(vehicle, entry)
            for entry in table.filters
            if entry.message is None or vehicle.messages[entry.message].bus == bus
        ],
    }
    if watching is not None and not logged:
        return watching.controller(vehicle, name, bus, settings)
    return Controller(name, **settings)


def _filter(vehicle: Vehicle, entry: FilterTable) -> Filter:
    if entry.message is not None:
        message = vehicle.messages[entry.message]
        mask = EXTENDED_MASK if message.extended else BASE_MASK
        return message.identifier, mask, message.extended
    assert entry.id is not None
    most = EXTENDED_MASK if entry.extended else BASE_MASK
    return entry.id, most if entry.mask is None else entry.mask, entry.extended


STEP_NS = 20_000_000
"""How often the pace looks at the wall clock."""


class Pace:
    """Holds a queue back so that its time does not run ahead of real time."""

    def __init__(self, queue: EventQueue) -> None:
        self._queue = queue
        self._begun_s = 0.0

    def begin(self) -> None:
        """Keep pace from now on, for as long as the queue runs."""
        self._begun_s = monotonic_seconds() - self._queue.now_ns / 1e9
        self._wait()

    def _wait(self) -> None:
        ahead_s = self._queue.now_ns / 1e9 - (monotonic_seconds() - self._begun_s)
        if ahead_s > 0:
            wait_seconds(ahead_s)
        self._queue.after(STEP_NS, self._wait, priority=Priority.STIMULUS)


_NO_TRAFFIC = Traffic((), lambda: iter(()))
OTHERS = "(others)"
"""A controller that only acknowledges, for nodes of the log that are not in the vehicle."""
_HAND_OVER_NS = 10_000_000
"""For so long they acknowledge beside the last node that has started: longer than any frame."""
PLAY_OUT_NS = 10_000_000_000
"""How much longer than its scenario a run lasts at most, until all frames of the log have left."""
_STEP_OUT_NS = 1_000_000
_NEVER_KEEP_AWAY = ("drop",)
"""Kinds of faults under which their node sends as before."""


def ready(vehicle: Vehicle) -> dict[str, list[str]]:
    """Compile the programs of a vehicle that are in C, unless they are, and read its images.
    Returns what the compiler warned of, by node. Raises BadInput with every mistake in them.
    """
    warnings: dict[str, list[str]] = {}
    if not any(node.c or node.image for node in vehicle.nodes.values()):
        return warnings
    from linkloss.firmware.image import Image  # only if there is one
    from linkloss.firmware.program import Firmware

    problems: list[Problem] = []
    for name, program in vehicle.programs.items():
        if isinstance(program, Firmware | Image):
            try:
                warnings[name] = program.compile()
            except BadInput as error:
                problems += error.problems
    if problems:
        raise BadInput(problems)
    return warnings


class Session:
    """One vehicle, powered up at instant zero and run for as long as its scenario says."""

    def __init__(
        self,
        scenario: Scenario,
        loop: VirtualLoop | None = None,
        *,
        paced: bool = False,
        bits: bool = False,
        watching: Watching | None = None,
    ) -> None:
        """``loop``: one that somebody else drives. ``paced``: no faster than real time; what
        happens is the same. ``bits``: also record the bus bit by bit, where something is out of the
        ordinary. ``watching``: notes what becomes of the frames at each node. Raises BadInput for
        programs in C that do not compile.
        """
        ready(scenario.vehicle)
        self._watching = watching
        self.scenario = scenario
        self.vehicle: Vehicle = scenario.vehicle
        self.loop = VirtualLoop() if loop is None else loop
        self.queue = self.loop.queue
        self.loop.set_task_factory(make_task)
        if scenario.clocks or scenario.drifts:
            self.loop.own_clock = clock_at_work
        self.traffic = scenario.traffic or _NO_TRAFFIC
        real = () if scenario.outside is None else scenario.outside.nodes
        there = (*self.traffic.nodes, *real)
        self.absent = tuple(name for name in self.vehicle.logged if name not in there)
        self.recording = Recording(
            vehicle=self.vehicle.title, seed=scenario.seed, logged=(*there, *self.absent)
        )
        self.outsiders = Outsiders(scenario.outside, self.queue, self.recording)
        self.buses: Sequence[Bus] = tuple(map(self._bus, self.vehicle.file.bus))
        """The buses, in the order of the vehicle file."""
        if bits:
            self.vehicle.only_bus("a waveform")
            self.bus.bit_observers.append(partial(note_bit, self.recording.bits))
        self.inputs = Inputs(self.queue, self.recording)
        self.hosts: dict[str, NodeHost | LoggedNode] = {}
        self.power = make_power(self.queue, self.vehicle, self.recording, real)
        self.player: Player | None = None
        self._others = Controller(OTHERS, fd=self.vehicle.fd)
        self._sleepers: dict[str, NodeHost] = {}
        self._pace = Pace(self.queue) if paced else None
        self._active: dict[Fault, _Active] = {}
        self._held = ExitStack()
        self._stimuli = timeline(scenario)
        self._next = 0
        self._messages = {name: self.vehicle.messages_on(name) for name in self.vehicle.file.bus}
        self._gateways = {
            name for name in self.vehicle.nodes if len(self.vehicle.file.buses_of(name)) > 1
        }
        self._build()
        for name, bus in zip(self.vehicle.file.bus, self.buses, strict=True):
            bus.observers.append(partial(self._heard, bus, self._messages[name]))

    def _bus(self, name: str) -> Bus:
        table = self.vehicle.file.bus[name]
        line = Line(table.length, table.stub, None if table.terminators == 2 else table.terminators)
        several = len(self.vehicle.buses) > 1
        bus = Bus(
            self.queue,
            table.bit_rate,
            line,
            data_bit_rate=table.data_bit_rate,
            name=name if several else "",
        )
        bus.observers.append(self.recording.frames.append)
        if several:
            self.recording.on_bus[name] = []
            bus.observers.append(self._note_sender)
        return bus

    def _note_sender(self, record: BusRecord) -> None:
        senders = self.recording.on_bus[record.bus]
        if record.sender not in senders:
            senders.append(record.sender)
        if record.sender in self._gateways:
            self.recording.gateway_frames.append(record.bus)

    def _build(self) -> None:
        around = Surroundings(
            queue=self.queue,
            loop=self.loop,
            inputs=self.inputs,
            recording=self.recording,
            handed=self._handed,
            refused=self._refused,
            seed=self.scenario.seed,
            power=self.power,
            sleepers=self._sleepers,
        )
        controllers: dict[str, dict[str, Controller]] = {name: {} for name in self.vehicle.along}
        for bus, cabled in self.vehicle.file.bus.items():
            for name in cabled.cable:  # in cable order, whichever bus a gateway stands on first
                controllers[name][bus] = self._attached(name, bus)
        for name, own in controllers.items():
            self.hosts[name] = self._host(name, own, around)
        for name, table in self.vehicle.inputs.items():
            value = self.scenario.inputs.get(name, table.rest)
            self.inputs.add(name, table, value, self._input_changed)
        for name, load in self.vehicle.loads.items():
            if load.node in self.recording.logged:
                continue
            seen = partial(self.inputs.values, load.node)
            output = Output(self.queue, name, load, self.recording, seen, self.power)
            self.hosts[load.node].outputs[load.output or name] = output
        if self.outsiders.outside.programs:
            self.vehicle.only_bus("a program outside of the bench")
            self.outsiders.attach(self.bus, fd=self.vehicle.fd)
        if self.power is not None:
            self.power.hosts.update(self.hosts)

    def _attached(self, name: str, bus: str) -> Controller:
        """A node's controller on a bus, without power."""
        controller = make_controller(
            self.vehicle,
            name,
            bus,
            logged=name in self.recording.logged,
            real=name in self.outsiders.outside.nodes,
            watching=self._watching,
        )
        self.bus_named(bus).attach(controller)
        controller.power_off()
        return controller

    def _host(
        self, name: str, controllers: Mapping[str, Controller], around: Surroundings
    ) -> NodeHost | LoggedNode:
        table = self.vehicle.nodes[name]
        logged = name in self.recording.logged
        real = name in self.outsiders.outside.nodes
        keys = {bus: side(name, bus) if len(controllers) > 1 else name for bus in controllers}
        self.recording.controllers.update((key, []) for key in keys.values())
        self.recording.nodes[name] = []
        if logged:
            (controller,) = controllers.values()
            changes = self.recording.controllers[name]
            controller.on_state = partial(self._note_state, changes)
            _play_from(controller)
            absent = name in self.absent
            node = LoggedNode(name, table, controller, self.queue, self.recording, absent, real)
            if real:
                self.outsiders.add_node(node)
            return node
        clock = OwnClock(
            self.queue, self.scenario.clocks.get(name, 0), self.scenario.drifts.get(name, 0.0)
        )
        program = self.vehicle.programs[name]
        ways = {bus: self._way(bus, controller) for bus, controller in controllers.items()}
        database = self.vehicle.database
        if len(ways) == 1:
            database = self.vehicle.databases.get(next(iter(ways)), database)
        host = NodeHost(name, table, program, ways, database, {}, around, clock)

        def note_state(changes: list[ControllerChange], changed: Controller) -> None:
            self._note_state(changes, changed)
            host.controller_changed()

        for bus, controller in controllers.items():
            changes = self.recording.controllers[keys[bus]]
            controller.on_state = partial(note_state, changes)
        return host

    def _way(self, bus: str, controller: Controller) -> Way:
        return Way(controller, self.vehicle.file.bus[bus].channel)

    def _note_state(self, changes: list[ControllerChange], changed: Controller) -> None:
        now_ns = self.queue.now_ns
        changes.append(ControllerChange(now_ns, changed.state.name, changed.tec, changed.rec))

    def _feed_of(self, sender: str) -> Feed:
        """What takes the logged frames of a sender. A sender that is no node of the vehicle gets a
        controller beside the first logged node, or at the far end if there is none.
        """
        assert self.player is not None
        host = self.hosts.get(sender)
        if isinstance(host, LoggedNode):
            self.player.plays(host.controller)
            return host.play
        controller = Controller(REST, mailboxes=UNLIMITED, auto_recovery=True, fd=self.vehicle.fd)
        _play_from(controller)
        self.player.plays(controller)
        self.bus.attach(controller, beside=next(iter(self.traffic.nodes), None))
        self._others.power_on()

        def feed(frame: Frame) -> bool:
            controller.send(frame)
            return True

        return feed

    def _let_others_hear(self) -> None:
        """On the day of the log somebody acknowledged every frame: the nodes that are simulated,
        which start only now, and those that nobody described. For the former a silent listener
        acknowledges until they have started, for the latter throughout.
        """
        _play_from(self._others)
        self.bus.attach(self._others, beside=next(iter(self.traffic.nodes), None))
        simulated = [host for host in self.hosts.values() if isinstance(host, NodeHost)]
        if simulated:
            up_ns = max(host.table.usual_boot_ns for host in simulated)
            self.queue.at(up_ns + _HAND_OVER_NS, self._others_leave)

    def _others_leave(self) -> None:
        if not any(controller.name == REST for controller in self.bus.controllers):
            self._others.power_off()

    def _blamed(self, sender: str, since_ns: int) -> str:
        """What the fault did that keeps a logged sender from the bus, or kept it from there at some
        time since an instant; empty if there is none. Of several it is the last one that touches
        the sender, else the last one of all. A boot, or the way back from bus-off, belongs to what
        was there when the sender fell silent.
        """
        changes, states = (
            self.recording.nodes.get(sender, []),
            self.recording.controllers.get(sender),
        )
        silent = takewhile(lambda change: change.state != "running", reversed(changes))
        since_ns = min([since_ns, *(change.at_ns for change in silent)])
        if states and states[-1].state == ErrorState.BUS_OFF.name:
            since_ns = min(since_ns, states[-1].at_ns)
        found = [
            (sender in fault.nodes and fault.group in ("node", "cable"), fault.applied_ns, place)
            for place, fault in enumerate(self.recording.faults)
            if (fault.cleared_ns is None or fault.cleared_ns >= since_ns)
            and fault.group != "input"
            and fault.kind not in _NEVER_KEEP_AWAY
        ]
        return self.recording.faults[max(found)[2]].text if found else ""

    def _handed(self, node: str, bus: str, message: can.Message) -> None:
        if message.is_remote_frame:
            return
        name, now_ns, data = self._named(node, bus, message), self.queue.now_ns, bytes(message.data)
        if name is not None:
            self.recording.handed.setdefault(name, []).append(Handed(now_ns, data))
        else:
            identifier, extended = message.arbitration_id, message.is_extended_id
            self.recording.foreign.append(Foreign(now_ns, node, identifier, extended, data))

    def _refused(self, node: str, bus: str, message: can.Message) -> None:
        """The message that was handed over last was not taken."""
        if message.is_remote_frame:
            return
        name = self._named(node, bus, message)
        if name is not None:
            handed = self.recording.handed[name]
            handed[-1] = handed[-1]._replace(taken=False)
        else:
            foreign = self.recording.foreign
            foreign[-1] = foreign[-1]._replace(taken=False)

    def _named(self, node: str, bus: str, message: can.Message) -> str | None:
        """The name of a message on a bus, if the node is among its senders."""
        which = message.arbitration_id, message.is_extended_id
        info = self._messages[bus].get(which)
        return info.name if info and node in info.senders else None

    def _heard(
        self, bus: Bus, messages: Mapping[tuple[int, bool], MessageInfo], record: BusRecord
    ) -> None:
        """A frame may wake nodes that sleep on the same segment; one of the log may find nobody."""
        if record.error == "ack" and self.player is not None:
            self.player.unheard(record.sender)
        if not self._sleepers:
            return
        which = record.frame.identifier, record.frame.extended
        name = messages[which].name if which in messages else write_identifier(*which)
        pieces = {controller.name: controller.segment for controller in bus.controllers}
        for host in list(self._sleepers.values()):
            own = [way.controller.segment for way in host.ways.values()]
            if pieces.get(record.sender) in own:
                host.heard(name, whole=record.error is None or bool(record.receivers))

    def _input_changed(self, node: str, name: str, value: Value) -> None:
        self.hosts[node].input_changed(name, value)

    # ---- what happens in a run ----

    def run(self) -> Recording:
        """Run the scenario to its end and return the recording."""
        try:
            self.begin()
            return self.go_on(self.scenario)
        finally:
            self._held.close()

    def begin(self) -> None:
        """Power up, and drive the loop from now on."""
        self._held.enter_context(self.loop.running())
        self.power_up()

    def power_up(self) -> None:
        """Power up on a loop that somebody else drives."""
        follow(self.queue)
        for table, bus in zip(self.vehicle.buses, self.buses, strict=True):
            guests = f"guest {table.channel}" if len(self.buses) > 1 else "guest"
            channel = open_channel(bus, self.queue, table.channel, fd=self.vehicle.fd, named=guests)
            self._held.enter_context(channel)
        if self.power is not None:
            self.power.begin({name: self.inputs.truth(name) for name in self.vehicle.inputs})
        for host in self.hosts.values():
            host.power_up()
        if self.traffic is not _NO_TRAFFIC:
            self.vehicle.only_bus("a logged drive")
            self.player = Player(
                self.queue,
                self.bus,
                self.traffic.frames(),
                self._feed_of,
                self.traffic.cycles,
                self._blamed,
            )
            self._let_others_hear()
            self.recording.shift = self.player.shift
            self.player.begin()
        if self._pace is not None:
            self._pace.begin()

    def run_to(self, at_ns: int) -> None:
        """Run everything that comes before an instant, and stop there."""
        while self._next < len(self._stimuli) and self._stimuli[self._next].at_ns < at_ns:
            stimulus = self._stimuli[self._next]
            self._next += 1
            self._run_before(stimulus.at_ns)
            stimulus.do(self)
        self._run_before(at_ns)

    def go_on(self, scenario: Scenario) -> Recording:
        """Continue with a scenario that is the same up to this instant, run it to its end and
        return the recording.
        """
        self.loop.keep_running()
        self.scenario = scenario
        self._stimuli = timeline(scenario)
        self._next = sum(stimulus.at_ns < self.queue.now_ns for stimulus in self._stimuli)
        self.run_to(scenario.lasts_ns)
        self.queue.run_until(scenario.lasts_ns)
        return self.finish(self._played_out(scenario.lasts_ns))

    def _played_out(self, end_ns: int) -> int:
        """Let the last frames of the log leave; when they have."""
        if self.player is not None:
            last_ns = end_ns + PLAY_OUT_NS
            while self.player.waiting and end_ns < last_ns:
                end_ns += _STEP_OUT_NS
                self.queue.run_until(end_ns)
            self.player.close()
        return end_ns

    def finish(self, end_ns: int) -> Recording:
        """End the run at an instant up to which everything has happened; return the recording."""
        self.end()
        self.loop.close()
        self.recording.end_ns = end_ns
        return self.recording

    def end(self) -> None:
        """End all programs and close the bus; the loop stays."""
        for host in self.hosts.values():
            host.end()
        self._held.close()

    def _run_before(self, at_ns: int) -> None:
        self.queue.run_until(at_ns - 1)
        self.queue.now_ns = max(self.queue.now_ns, at_ns)

    def act(self, values: Mapping[str, Value]) -> None:
        """The driver or the engine changes inputs now."""
        self.recording.actions.append(ActionRecord(self.queue.now_ns, dict(values)))
        for name, value in values.items():
            self.inputs.set(name, value)
            if self.power is not None:
                self.power.moved(name, value)

    def apply(self, timed: TimedFault) -> None:
        """A fault begins now. The same fault twice at a time is one fault until both have
        cleared.
        """
        fault = timed.fault
        self.recording.faults.append(
            FaultRecord(
                kind=fault.kind,
                text=fault.describe(),
                group=fault.group,
                content=fault.content,
                nodes=fault.nodes(),
                loads=fault.loads(self.vehicle),
                applied_ns=self.queue.now_ns,
                cleared_ns=None if fault.lasting else self.queue.now_ns,
            ),
        )
        if len(self.buses) > 1:
            self.recording.struck.append(list(fault.strikes(self.vehicle)))
        if not fault.lasting:
            fault.apply(self, self._random(timed))
            return
        active = self._active.get(fault)
        if active is None:
            active = self._active[fault] = _Active(fault.apply(self, self._random(timed)))
        active.records.append(len(self.recording.faults) - 1)

    def clear(self, fault: Fault) -> None:
        """A lasting fault ends now."""
        active = self._active[fault]
        place = active.records.pop(0)
        record = self.recording.faults[place]
        self.recording.faults[place] = replace(record, cleared_ns=self.queue.now_ns)
        if not active.records:
            del self._active[fault]
            active.undo()

    @property
    def bus(self) -> Bus:
        """The bus of a car that has only one."""
        (bus,) = self.buses
        return bus

    def bus_of(self, node: str) -> Bus:
        """The bus that a node is on, of several the first. Raises KeyError for a node that there is
        not.
        """
        return self.bus_named(self.vehicle.file.bus_of(node))

    def bus_named(self, name: str) -> Bus:
        """A bus by its name in the vehicle file."""
        return self.buses[list(self.vehicle.file.bus).index(name)]

    def bus_with(self, message: str) -> Bus:
        """The bus that carries a message."""
        return self.bus_named(self.vehicle.messages[message].bus)

    @property
    def frames(self) -> Sequence[BusRecord]:
        """The frames on the bus so far."""
        return self.recording.frames

    def _random(self, timed: TimedFault) -> Random:
        """A random generator for each fault, so that one fault does not shift another's draws."""
        purpose = f"{self.scenario.seed}/{timed.fault.label()}/{timed.at_ns}"
        return Random(purpose)  # noqa: S311 - repeatable on purpose


@dataclass(slots=True)
class _Active:
    """A lasting fault that is active: how to undo it, and its records that are not yet cleared."""

    undo: Callable[[], None]
    records: list[int] = field(default_factory=list)


class Stimulus(NamedTuple):
    """Something done to a session from outside at an instant."""

    at_ns: int
    do: Callable[[Session], None]


def timeline(scenario: Scenario) -> list[Stimulus]:
    """All stimuli of a scenario in order. At one instant: first what comes from outside, then
    faults that clear, then the driver's actions, then faults that begin.
    """
    outside = [
        Stimulus(event.at_ns, partial(_from_outside, event=event))
        for event in (scenario.outside or NOBODY).events
    ]
    clears = [
        Stimulus(timed.until_ns, partial(_clear, fault=timed.fault))
        for timed in scenario.faults
        if timed.fault.lasting and timed.until_ns is not None
    ]
    actions = [
        Stimulus(action.at_ns, partial(_act, values=action.values)) for action in scenario.actions
    ]
    applies = [Stimulus(timed.at_ns, partial(_apply, timed=timed)) for timed in scenario.faults]
    return sorted([*outside, *clears, *actions, *applies], key=lambda stimulus: stimulus.at_ns)


def _from_outside(session: Session, event: OutsideEvent) -> None:
    session.outsiders.act(event)


def _clear(session: Session, fault: Fault) -> None:
    session.clear(fault)


def _act(session: Session, values: Mapping[str, Value]) -> None:
    session.act(values)


def _apply(session: Session, timed: TimedFault) -> None:
    session.apply(timed)


def _play_from(controller: Controller) -> None:
    """Discard what a controller receives: nothing reads it."""
    controller.on_receive = lambda heard: heard.inbox.clear()


def simulate(scenario: Scenario, *, paced: bool = False, bits: bool = False) -> Recording:
    """Run a scenario and return its recording; ``paced``: no faster than real time; ``bits``: also
    the bus bit by bit.
    """
    return Session(scenario, paced=paced, bits=bits).run()
