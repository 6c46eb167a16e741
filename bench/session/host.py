"""A node's life: power-up, boot, program, reset, hang, crash; and the board its program sees."""

from __future__ import annotations

import asyncio
import traceback
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, field
from typing import Any

import can
from cantools.database import Database

from bench.clock import Event, EventQueue
from bench.model.expression import Value
from bench.model.problem import unknown
from bench.model.vehicle import NodeTable
from bench.recording import Crash, NodeChange, Recording
from bench.session.gate import Gate
from bench.session.pins import Inputs, Output
from bench.wire import Controller, Port


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What all hosts of a session share."""

    queue: EventQueue
    loop: asyncio.AbstractEventLoop
    inputs: Inputs
    recording: Recording
    database: Database
    channel: str
    handed: Callable[[str, can.Message], None]


class BoardTimer:
    """A timer of a program; it dies with the program at a reset."""

    __slots__ = ("_action", "_args", "_event", "_host", "_life", "interrupt", "period_ns")

    def __init__(
        self,
        host: NodeHost,
        action: Callable[..., object],
        args: tuple[Any, ...],
        period_ns: int | None,
        interrupt: bool,
    ) -> None:
        self._host = host
        self._life = host.life
        self._action = action
        self._args = args
        self._event: Event | None = None
        self.period_ns = period_ns
        self.interrupt = interrupt

    def arm(self, at_ns: int) -> None:
        """Be due at an instant."""
        self._event = self._host.queue.at(at_ns, self._due, at_ns)

    def cancel(self) -> None:
        """Stop the timer."""
        self.period_ns = None
        if self._event is not None:
            self._host.queue.cancel(self._event)
            self._event = None
        self._host.forget(self)

    def _due(self, at_ns: int) -> None:
        self._event = None
        host = self._host
        if self._life != host.life:
            return
        if host.state != "running" and not (self.interrupt and host.state == "hung"):
            host.postpone(self)
            return
        if self.period_ns is not None:
            self._event = host.queue.at(at_ns + self.period_ns, self._due, at_ns + self.period_ns)
        host.call(self._action, *self._args)

    def catch_up(self) -> None:
        """Run now what could not run while the program hung."""
        self._due(self._host.queue.now_ns)


@dataclass(slots=True)
class _Watchdog:
    timeout_ns: int
    deadline_ns: int
    event: Event


@dataclass(slots=True, eq=False)
class NodeHost:
    """One node. The methods of the board face are documented in ``nodes.api.Board``."""

    name: str
    table: NodeTable
    program_class: Callable[[Any], Any]
    controller: Controller
    outputs: dict[str, Output]
    around: Surroundings
    state: str = "reset"
    life: int = 0
    slow: bool = False
    memory: dict[str, Any] = field(default_factory=dict)
    program: Any = None
    _port: Port | None = None
    _task: asyncio.Task[None] | None = None
    _gate: Gate | None = None
    _boot: Event | None = None
    _watchdog: _Watchdog | None = None
    _postponed: list[BoardTimer] = field(default_factory=list)
    _listens: bool = False

    # ---- life ----

    @property
    def queue(self) -> EventQueue:
        """The session's clock."""
        return self.around.queue

    def power_up(self) -> None:
        """The supply is switched on: the boot begins."""
        for output in self.outputs.values():
            output.drive(None, self._seen())
        self._begin_boot("power-up")

    def reset(self, cause: str) -> None:
        """The program ends here and starts anew after the boot time."""
        self._end_program()
        self._begin_boot(cause)

    def hang(self) -> None:
        """The program stops where it is; controller, pins and hardware timers go on."""
        if self.state == "running":
            self._change("hung", "fault")
            if self._gate is not None:
                self._gate.close()

    def resume(self) -> None:
        """A program that hung goes on, late for everything it missed."""
        if self.state != "hung":
            return
        self._change("running", "fault")
        if self._gate is not None:
            self._gate.open()
        postponed, self._postponed = self._postponed, []
        for timer in postponed:
            timer.catch_up()
        self._drain(self.controller)

    def end(self) -> None:
        """The run is over: let go of the port and of what still waits."""
        if self._task is not None and not self._task.done():
            self._task.cancel()
            self._task = None
        if self._port is not None:
            self._port.shutdown()
            self._port = None

    def call(self, action: Callable[..., object], *args: Any) -> None:
        """Run a piece of the program; what it raises ends the program, not the bench."""
        try:
            action(*args)
        except Exception as error:  # noqa: BLE001 - a program may raise anything
            self.crash(error)

    def crash(self, error: BaseException) -> None:
        """The program failed by itself: note where, and leave everything as it is."""
        frames = [
            frame
            for frame in traceback.extract_tb(error.__traceback__)
            if "/bench/session/" not in frame.filename.replace("\\", "/")
        ]
        last = frames[-1] if frames else None
        where = f"{last.filename}:{last.lineno}" if last else "unknown place"
        text = f"{type(error).__name__}: {error}"
        self.around.recording.crashes.append(Crash(self.name, self.queue.now_ns, where, text))
        self._change("crashed", text)
        if self._task is not None and not self._task.done():
            self._task.cancel()

    def input_changed(self, name: str, value: Value) -> None:
        """An input line of this node has a new value."""
        seen = None
        for output in self.outputs.values():
            if output.follows_hardware:
                seen = seen if seen is not None else self._seen()
                output.settle(seen)
        if self.state == "running" and hasattr(self.program, "on_input"):
            self.call(self.program.on_input, name, value)

    def _begin_boot(self, cause: str) -> None:
        self.life += 1
        self._change("reset", cause)
        boot_ns = self.table.boot if self.slow else self.table.usual_boot_ns
        self._boot = self.queue.after(boot_ns, self._start)

    def _start(self) -> None:
        self._boot = None
        self.controller.power_on()
        self._port = Port(self.controller, self.queue, self.around.channel)
        self._port.on_attempt = self._attempt
        self._change("running", "boot")
        self.call(self._begin_program)

    def _begin_program(self) -> None:
        self.program = self.program_class(self)
        base = getattr(type(self.program), "on_frame", None)
        self._listens = base is not None and base.__module__ != "nodes.api"
        self.controller.on_receive = self._drain if self._listens else None
        if hasattr(self.program, "start"):
            self.program.start()
        run = getattr(self.program, "run", None)
        if run is not None and self.state == "running":
            self._spawn(run())

    def _spawn(self, program: Coroutine[Any, Any, None]) -> None:
        self._gate = Gate(self.around.loop)
        self._task = self.around.loop.create_task(self._gate.run(program), name=self.name)
        self._task.add_done_callback(self._task_done)

    def _task_done(self, task: asyncio.Task[None]) -> None:
        if task is self._task and not task.cancelled() and task.exception() is not None:
            self.crash(task.exception())  # type: ignore[arg-type]

    def _end_program(self) -> None:
        if self._boot is not None:
            self.queue.cancel(self._boot)
            self._boot = None
        if self._watchdog is not None:
            self.queue.cancel(self._watchdog.event)
            self._watchdog = None
        task, self._task, self._gate = self._task, None, None
        if task is not None and not task.done():
            task.cancel()
        self._postponed.clear()
        self.program = None
        self.controller.on_receive = None
        if self._port is not None:
            self._port.shutdown()
            self._port = None
        self.controller.power_off()
        for output in self.outputs.values():
            output.drive(None, self._seen())

    def _change(self, state: str, cause: str) -> None:
        self.state = state
        self.around.recording.nodes[self.name].append(NodeChange(self.queue.now_ns, state, cause))

    def _seen(self) -> dict[str, Value]:
        return self.around.inputs.values(self.name)

    def _drain(self, controller: Controller) -> None:
        while self.state == "running" and controller.inbox:
            message = self.bus.recv(0)
            if message is None:
                return
            self.call(self.program.on_frame, message)

    def _attempt(self, message: can.Message) -> None:
        self.around.handed(self.name, message)

    def postpone(self, timer: BoardTimer) -> None:
        """A timer came due while the program hung."""
        self._postponed.append(timer)

    def forget(self, timer: BoardTimer) -> None:
        """A postponed timer was cancelled."""
        if timer in self._postponed:
            self._postponed.remove(timer)

    # ---- the board face ----

    @property
    def settings(self) -> Mapping[str, Any]:
        return self.table.settings

    @property
    def messages(self) -> Database:
        return self.around.database

    @property
    def bus(self) -> can.BusABC:
        assert self._port is not None, "a program has a port from its start to its end"
        return self._port

    def now_ns(self) -> int:
        return self.queue.now_ns

    def after(self, delay_ns: int, action: Callable[..., object], *args: Any) -> BoardTimer:
        timer = BoardTimer(self, action, args, None, interrupt=False)
        timer.arm(self.queue.now_ns + delay_ns)
        return timer

    def every(
        self,
        period_ns: int,
        action: Callable[..., object],
        *args: Any,
        first_ns: int | None = None,
        interrupt: bool = False,
    ) -> BoardTimer:
        if period_ns <= 0:
            raise ValueError(f"got a period of {period_ns} ns; expected more than zero")
        timer = BoardTimer(self, action, args, period_ns, interrupt)
        timer.arm(self.queue.now_ns + (period_ns if first_ns is None else first_ns))
        return timer

    def read(self, name: str) -> Value:
        return self.around.inputs.read(self.name, name)

    def write(self, name: str, level: float) -> None:
        self._output(name).drive(min(1.0, max(0.0, float(level))), {})

    def release(self, name: str) -> None:
        self._output(name).drive(None, self._seen())

    def _output(self, name: str) -> Output:
        try:
            return self.outputs[name]
        except KeyError:
            text = unknown(f"output of node '{self.name}'", name, self.outputs)
            raise LookupError(text) from None

    def supply_volts(self) -> float:
        return 13.5  # an ideal supply: the voltage of a running alternator, common practice

    def recover_bus(self) -> None:
        self.controller.request_recovery()

    def start_watchdog(self, timeout_ns: int) -> None:
        deadline_ns = self.queue.now_ns + timeout_ns
        event = self.queue.at(deadline_ns, self._watchdog_due)
        self._watchdog = _Watchdog(timeout_ns, deadline_ns, event)

    def feed_watchdog(self) -> None:
        if self._watchdog is not None:
            self._watchdog.deadline_ns = self.queue.now_ns + self._watchdog.timeout_ns

    def _watchdog_due(self) -> None:
        dog = self._watchdog
        if dog is None:
            return
        if self.queue.now_ns < dog.deadline_ns:  # fed meanwhile: look again when it runs out
            dog.event = self.queue.at(dog.deadline_ns, self._watchdog_due)
            return
        self._watchdog = None
        self.reset("watchdog")

    def restart(self) -> None:
        self.reset("program")
