"""Building a vehicle on a clock and a wire, running a scenario on it, recording all of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from random import Random
from typing import TYPE_CHECKING

import can

from bench.clock import EventQueue, Priority, VirtualLoop
from bench.faults.base import Fault
from bench.model.expression import Value
from bench.model.loading import Vehicle
from bench.recording import (
    ActionRecord,
    ControllerChange,
    FaultRecord,
    Handed,
    Recording,
)
from bench.session.host import NodeHost, Surroundings
from bench.session.pins import Inputs, Output
from bench.wire import Controller, Wire, WireRecord, open_channel

if TYPE_CHECKING:
    from bench.scenario import Scenario, TimedFault


class Session:
    """One vehicle, powered up at instant zero and run for as long as its scenario says."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.vehicle: Vehicle = scenario.vehicle
        self.queue = EventQueue()
        self.loop = VirtualLoop(self.queue)
        self.recording = Recording(vehicle=self.vehicle.title, seed=scenario.seed)
        self.wire = Wire(self.queue, self.vehicle.wire.bit_rate)
        self.wire.observers.append(self.recording.frames.append)
        self.inputs = Inputs(self.queue, self.recording)
        self.hosts: dict[str, NodeHost] = {}
        self._active: dict[Fault, _Active] = {}
        self._names = {
            (info.identifier, info.extended): info.name for info in self.vehicle.messages.values()
        }
        self._build()

    def _build(self) -> None:
        around = Surroundings(
            queue=self.queue,
            loop=self.loop,
            inputs=self.inputs,
            recording=self.recording,
            database=self.vehicle.database,
            channel=self.vehicle.wire.channel,
            handed=self._handed,
        )
        for name in self.vehicle.wire.cable:
            self.hosts[name] = self._host(name, around)
        for name, table in self.vehicle.inputs.items():
            value = self.scenario.inputs.get(name, table.rest)
            self.inputs.add(name, table, value, self._input_changed)
        for name, load in self.vehicle.loads.items():
            seen = partial(self.inputs.values, load.node)
            output = Output(self.queue, name, load, self.recording, seen)
            self.hosts[load.node].outputs[load.output or name] = output

    def _host(self, name: str, around: Surroundings) -> NodeHost:
        table = self.vehicle.nodes[name]
        controller = Controller(
            name,
            mailboxes=table.mailboxes,
            order=table.mailbox_order,
            receive_depth=table.receive_depth,
            auto_recovery=table.auto_recovery,
        )
        self.wire.attach(controller)
        controller.power_off()
        self.recording.nodes[name] = []
        self.recording.controllers[name] = changes = []
        controller.on_state = lambda changed: changes.append(
            ControllerChange(self.queue.now_ns, changed.state.name, changed.tec, changed.rec),
        )
        return NodeHost(name, table, self.vehicle.programs[name], controller, {}, around)

    def _handed(self, node: str, message: can.Message) -> None:
        name = self._names.get((message.arbitration_id, message.is_extended_id))
        if name is not None and node in self.vehicle.messages[name].senders:
            handed = self.recording.handed.setdefault(name, [])
            handed.append(Handed(self.queue.now_ns, bytes(message.data)))

    def _input_changed(self, node: str, name: str, value: Value) -> None:
        self.hosts[node].input_changed(name, value)

    # ---- what happens in a run ----

    def run(self) -> Recording:
        """Run the scenario to its end and return the recording."""
        with self.loop.running(), open_channel(self.wire, self.queue, self.vehicle.wire.channel):
            for host in self.hosts.values():
                host.power_up()
            for action in self.scenario.actions:
                self.queue.at(action.at_ns, self.act, action.values, priority=Priority.STIMULUS)
            for timed in self.scenario.faults:
                self.queue.at(timed.at_ns, self._apply, timed, priority=Priority.STIMULUS)
            self.queue.run_until(self.scenario.lasts_ns)
            self._finish()
        self.loop.close()
        self.recording.end_ns = self.scenario.lasts_ns
        return self.recording

    def _finish(self) -> None:
        for host in self.hosts.values():
            host.end()

    def act(self, values: Mapping[str, Value]) -> None:
        """The driver or the engine changes inputs now."""
        self.recording.actions.append(ActionRecord(self.queue.now_ns, dict(values)))
        for name, value in values.items():
            self.inputs.set(name, value)

    def _apply(self, timed: TimedFault) -> None:
        fault = timed.fault
        record = FaultRecord(
            kind=fault.kind,
            text=fault.describe(),
            group=fault.group,
            content=fault.content,
            nodes=fault.nodes(),
            applied_ns=self.queue.now_ns,
            cleared_ns=self.queue.now_ns if not fault.lasting else None,
        )
        place = len(self.recording.faults)
        self.recording.faults.append(record)
        if not fault.lasting:
            fault.apply(self, self.random(fault, timed.at_ns))
            return
        active = self._active.get(fault)
        if active is None:
            undo = fault.apply(self, self.random(fault, timed.at_ns))
            active = self._active[fault] = _Active(undo)
        active.times += 1
        if timed.until_ns is not None:
            self.queue.at(timed.until_ns, self._clear, place, fault, priority=Priority.STIMULUS)

    def _clear(self, place: int, fault: Fault) -> None:
        """The same fault twice at one time is there until both have been cleared."""
        active = self._active[fault]
        active.times -= 1
        if active.times == 0:
            del self._active[fault]
            active.undo()
        record = self.recording.faults[place]
        self.recording.faults[place] = record._replace(cleared_ns=self.queue.now_ns)

    @property
    def frames(self) -> Sequence[WireRecord]:
        """What has gone over the wire so far."""
        return self.recording.frames

    def random(self, fault: Fault, at_ns: int) -> Random:
        """A generator of its own for each fault, so that one does not shift another's draws."""
        purpose = f"{self.scenario.seed}/{fault.label()}/{at_ns}"
        return Random(purpose)  # noqa: S311 - repeatable on purpose


@dataclass(slots=True)
class _Active:
    """A fault that is there: how to undo it, and how many steps of the scenario hold it."""

    undo: Callable[[], None]
    times: int = 0


def simulate(scenario: Scenario) -> Recording:
    """Run a scenario and return its recording."""
    return Session(scenario).run()
