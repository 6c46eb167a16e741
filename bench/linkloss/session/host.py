"""A node: power-up, boot, program, reset, hang, crash.

The coroutines of a program run behind a gate. A hang stops them where they are, and they resume
later; a reset ends them. A program may create tasks of its own, which stop and end with it: the
session's loop creates its tasks by :func:`make_task`, which knows the gate of the running program.
"""

from __future__ import annotations

import asyncio
import sysconfig
import traceback
from collections.abc import Callable, Coroutine, Generator, Mapping
from contextlib import suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from random import Random
from types import coroutine
from typing import Any, NamedTuple

import can
from cantools.database import Database

from linkloss.bus import Controller, Port
from linkloss.clock import Event, EventQueue, OwnClock
from linkloss.firmware.guard import BlockingProgram, ProgramFailed, install, runs_programs
from linkloss.recording import Crash, NodeChange, Printed, Recording
from linkloss.session.board import Board, Inputs, Output, Restart, Sleep
from linkloss.session.electrics import Power
from linkloss.vehicle.expression import Value
from linkloss.vehicle.tables import NodeTable

AT_WORK: ContextVar[Gate | None] = ContextVar("AT_WORK", default=None)
"""The gate of the program whose code runs now; tasks inherit it."""


class Gate:
    """While closed, no coroutine behind it gets past its next ``await``. ``failed(error)`` is
    called at once when one of them resets the board or tries to end the process.
    """

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        failed: Callable[[BaseException], None],
        clock: OwnClock | None = None,
    ) -> None:
        """``clock``: that of the program's node."""
        self.clock = clock
        self._loop = loop
        self._failed = failed
        self._closed = False
        self._ended = False
        self._waiters: list[asyncio.Future[None]] = []
        self._programs: dict[asyncio.Task[Any], Coroutine[Any, Any, Any]] = {}

    def close(self) -> None:
        """Stop what runs behind the gate."""
        self._closed = True

    def open(self) -> None:
        """Let it resume."""
        self._closed = False
        waiters, self._waiters = self._waiters, []
        for waiter in waiters:
            if not waiter.done():
                waiter.set_result(None)

    def end(self) -> None:
        """End what runs behind the gate, for good."""
        self._ended = True
        programs, self._programs = self._programs, {}
        for program in programs.values():
            with suppress(Exception, SystemExit, ProgramFailed):  # whatever its cleaning up raises
                program.close()

    def spawn(self, program: Coroutine[Any, Any, Any], **settings: Any) -> asyncio.Task[Any]:
        """A task that runs a coroutine behind the gate."""
        task = asyncio.Task(self._run(program), loop=self._loop, **settings)
        task._log_destroy_pending = False  # type: ignore[attr-defined] # a reset leaves it so
        self._programs[task] = program
        task.add_done_callback(lambda done: self._programs.pop(done, None))
        return task

    async def _run(self, program: Coroutine[Any, Any, Any]) -> Any:
        AT_WORK.set(self)
        try:
            return await self._drive(program)
        except (Restart, SystemExit, ProgramFailed) as error:
            self._failed(error)

    @runs_programs
    @coroutine
    def _drive(self, program: Coroutine[Any, Any, Any]) -> Generator[Any, Any, Any]:
        """Pass everything through, but wait at the gate before each step of the program."""
        send: Any = None
        failure: BaseException | None = None
        while True:
            while self._closed and not self._ended:
                waiter = self._loop.create_future()
                self._waiters.append(waiter)
                try:
                    yield from waiter
                except asyncio.CancelledError as error:  # a timeout: it takes effect after the hang
                    send, failure = None, error
            if self._ended:
                return None
            try:
                waiting = program.send(send) if failure is None else program.throw(failure)
            except StopIteration as end:
                return end.value
            send, failure = None, None
            try:
                send = yield waiting
            except GeneratorExit:
                program.close()
                raise
            except BaseException as error:  # noqa: BLE001 - a cancellation belongs to the program
                failure = error


def clock_at_work() -> OwnClock | None:
    """The clock of the program whose code runs now; None while none does."""
    gate = AT_WORK.get()
    return None if gate is None else gate.clock


def make_task(loop: asyncio.AbstractEventLoop, program: Any, **settings: Any) -> asyncio.Task[Any]:
    """The task factory of a session's loop."""
    gate = AT_WORK.get()
    if gate is None:
        return asyncio.Task(program, loop=loop, **settings)
    return gate.spawn(program, **settings)


_BENCH = str(Path(__file__).parent.parent)
_LIBRARIES = tuple({sysconfig.get_path(name) for name in ("stdlib", "purelib", "platlib")})

IDEAL_VOLTS = 13.5
"""An ideal supply: the voltage with a running alternator, common practice."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What all hosts of a session share."""

    queue: EventQueue
    loop: asyncio.AbstractEventLoop
    inputs: Inputs
    recording: Recording
    handed: Callable[[str, str, can.Message], None]
    """By node, and bus as the vehicle file names it."""
    refused: Callable[[str, str, can.Message], None]
    seed: int = 0
    power: Power | None = None
    sleepers: dict[str, NodeHost] = field(default_factory=dict)
    """The nodes that are asleep now, by name."""


class Way(NamedTuple):
    """A node's way to a bus."""

    controller: Controller
    channel: str
    """What python-can programs call it."""


@dataclass(slots=True)
class _Running:
    """A program that runs or hangs, and what ends with it."""

    board: Board
    ports: Mapping[str, Port]
    gate: Gate
    program: Any = None

    @property
    def blocking(self) -> BlockingProgram | None:
        """The program, if it is one that blocks."""
        return self.program if isinstance(self.program, BlockingProgram) else None


@dataclass(slots=True, eq=False)
class NodeHost:
    """One node of the vehicle."""

    name: str
    table: NodeTable
    program_class: Callable[[Any], Any]
    ways: Mapping[str, Way]
    """By the buses as the vehicle file names them."""
    database: Database
    outputs: dict[str, Output]
    around: Surroundings
    clock: OwnClock
    state: str = "reset"
    slow: bool = False
    _memory: dict[str, Any] = field(default_factory=dict)
    _running: _Running | None = None
    _wild: bool = False
    _boot: Event | None = None
    _cause: str = ""
    _sleep: Sleep | None = None

    @property
    def controller(self) -> Controller:
        """Its controller, of several that on the first bus."""
        return next(iter(self.ways.values())).controller

    def on(self, bus: str | None) -> Controller:
        """Its controller on a bus; None: :attr:`controller`."""
        return self.controller if bus is None else self.ways[bus].controller

    def power_up(self) -> None:
        """The supply is switched on: the boot begins, if there is enough voltage."""
        install()
        power = self.around.power
        if power is not None and not power.powered(self.name):
            self._set_outputs(powered=False)
            self._change("off", "supply", power.taken_by(self.name))
            return
        self._set_outputs(powered=True)
        self._begin_boot("power-up")

    def reset(self, cause: str, by: str = "") -> None:
        """The program ends here and restarts after the boot time."""
        if self.state != "off":
            self._stop()
            self._set_outputs(powered=True)
            self._begin_boot(cause, by)

    def supply_lost(self, by: str) -> None:
        """The voltage is too low for the processor: everything stops."""
        self._stop()
        self._set_outputs(powered=False)
        self._change("off", "supply", by)

    def supply_back(self) -> None:
        """The voltage is back: the boot begins."""
        self._set_outputs(powered=True)
        self._begin_boot("supply")

    def run_wild(self) -> None:
        """The voltage is too low for the program, and nothing holds the processor in reset: it
        hangs for good, and each output stays, goes off or goes on at random.
        """
        if self._running is None or self.state == "crashed":
            return  # a boot that ends at such a voltage runs wild at its end
        self.hang("supply")
        self._wild = True
        now_ns = self.around.queue.now_ns
        random = Random(f"{self.around.seed}/wild/{self.name}/{now_ns}")  # noqa: S311 - repeatable
        for output in self.outputs.values():
            level = random.choice((None, 0.0, 1.0))
            if level is not None:
                output.drive(level)

    def heard(self, name: str, *, whole: bool) -> None:
        """While the node sleeps, a frame was on its segment: ``name`` is its message, or its
        identifier if it belongs to none. A frame that was not ``whole`` is noticed but not
        understood.
        """
        assert self._sleep is not None
        frames = self._sleep.frames
        if frames if isinstance(frames, bool) else whole and name in frames:
            self._begin_boot("wake", name)

    def _fall_asleep(self, sleep: Sleep) -> None:
        """The program ends here, the controller leaves the bus, the outputs stay as they are."""
        self._stop()
        self._change("asleep", "program")
        self._sleep = sleep
        self.around.sleepers[self.name] = self

    def volts(self) -> float:
        """The voltage at the node's terminals, in V."""
        power = self.around.power
        return IDEAL_VOLTS if power is None else power.volts(self.name)

    def _stop(self) -> None:
        """The program ends here."""
        if self._boot is not None:
            self.around.queue.cancel(self._boot)
            self._boot = None
        self.end()
        for way in self.ways.values():
            way.controller.on_receive = None
            way.controller.power_off()

    def _set_outputs(self, *, powered: bool) -> None:
        """Set the outputs to their hardware default, or to nothing without voltage."""
        for output in self.outputs.values():
            output.powered = powered
            output.drive(None)

    def hang(self, cause: str = "fault") -> None:
        """The program stops where it is; controller, pins and hardware timers continue."""
        if self.state == "running" and self._running is not None:
            self._change("hung", cause)
            self._running.gate.close()
            if self._running.blocking is not None:
                self._running.blocking.hang()

    def resume(self) -> None:
        """A program that hung resumes, late for everything it missed."""
        if self.state == "hung" and self._running is not None and not self._wild:
            self._change("running", "fault")
            self._running.gate.open()
            self._running.board.catch_up()
            if self._running is not None and self._running.blocking is not None:
                self.call(self._running.blocking.resume)
            for bus in self.ways:
                self._drain(bus)

    def bite(self, where: str = "") -> None:
        """The watchdog was not fed in time; ``where`` the program was, if that is known."""
        self.reset("watchdog", where)

    def recover_bus(self, bus: str | None = None) -> None:
        """The program asks the controller on a bus (None: on each) to come back from bus-off."""
        for name, way in self.ways.items():
            if bus in (None, name):
                way.controller.request_recovery()

    def end(self) -> None:
        """The program ends, without a chance to clean up."""
        running, self._running = self._running, None
        self._wild = False
        if running is not None:
            if running.blocking is not None:
                running.blocking.end()
            running.board.die()
            for port in running.ports.values():
                port.shutdown()
            running.gate.end()

    @runs_programs
    def call(self, action: Callable[..., object], *args: Any) -> None:
        """Run a piece of the program; what it raises ends the program, not the bench."""
        turn = AT_WORK.set(None if self._running is None else self._running.gate)
        try:
            action(*args)
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # noqa: BLE001 - a program may raise anything
            self._failed(error)
        finally:
            AT_WORK.reset(turn)

    def _failed(self, error: BaseException) -> None:
        """The program raised an exception: it asks for sleep or a reset, or it crashed."""
        if isinstance(error, Sleep):
            self._fall_asleep(error)
        elif isinstance(error, Restart):
            self.reset("program")
        else:
            self._crash(error)

    def input_changed(self, name: str, value: Value) -> None:
        """An input line of this node has a new value."""
        for output in self.outputs.values():
            output.input_changed()
        if self._sleep is not None and (self._sleep.inputs is None or name in self._sleep.inputs):
            self._begin_boot("wake", name)
        if self._running is not None and self._running.blocking is not None:
            if self.state in ("running", "hung"):
                self.call(self._running.blocking.input_changed, name, value)
        elif self.state == "running" and self._running is not None:
            listener = getattr(self._running.program, "on_input", None)
            if listener is not None:
                self.call(listener, name, value)

    def controller_changed(self) -> None:
        """The error state of the controller has changed."""
        if self._running is not None and self._running.blocking is not None:
            self.call(self._running.blocking.controller_changed)

    def printed(self, text: str) -> None:
        """The program printed a line of text."""
        self.around.recording.prints.append(Printed(self.name, self.around.queue.now_ns, text))

    def _begin_boot(self, cause: str, by: str = "") -> None:
        self._cause = cause
        self._change("reset", cause, by)
        boot_ns = self.table.slowest_boot_ns if self.slow else self.table.usual_boot_ns
        self._boot = self.around.queue.after(boot_ns, self._start)

    def _start(self) -> None:
        self._boot = None
        around = self.around
        ports = {bus: self._port(bus, way) for bus, way in self.ways.items()}
        board = Board(
            host=self,
            name=self.name,
            queue=around.queue,
            clock=self.clock,
            inputs=around.inputs,
            outputs=self.outputs,
            buses=ports,
            messages=self.database,
            settings=self.table.settings,
            memory=self._memory,
            cause=self._cause,
            seed=around.seed,
        )
        self._running = _Running(board, ports, Gate(around.loop, self._failed, self.clock))
        self._change("running", "boot")
        self.call(self._begin_program, self._running)
        if around.power is not None and around.power.wild(self.name):
            self.run_wild()

    def _port(self, bus: str, way: Way) -> Port:
        """Switch a controller on, for the program to use."""
        way.controller.restore_settings()
        way.controller.power_on()
        port = Port(way.controller, self.around.queue, way.channel, clock=self.clock)
        port.on_attempt = partial(self.around.handed, self.name, bus)
        port.on_refused = partial(self.around.refused, self.name, bus)
        return port

    def _begin_program(self, running: _Running) -> None:
        running.program = program = self.program_class(running.board)
        if isinstance(program, BlockingProgram):
            self.controller.on_receive = lambda _controller: self.call(program.received)
            program.start()
            return
        if _has_own(program, "on_frame"):
            for bus, way in self.ways.items():
                way.controller.on_receive = partial(self._heard, bus)
        if hasattr(program, "start"):
            program.start()
        run = getattr(program, "run", None)
        if run is not None:
            begun = run()
            if not asyncio.iscoroutine(begun):
                raise TypeError("'run' is no coroutine; expected 'async def run(self)'")
            self.around.loop.create_task(self._whole(running, begun), name=self.name)

    async def _whole(self, running: _Running, run: Coroutine[Any, Any, None]) -> None:
        """The program's coroutine. What it raises is handled at once, not when a task is done."""
        try:
            await run
        except Exception as error:  # noqa: BLE001 - a program may raise anything
            if self._running is running:  # else its end made it raise
                self._failed(error)

    def _crash(self, error: BaseException) -> None:
        """The program failed by itself: record where, and leave everything as it is."""
        while isinstance(error, BaseExceptionGroup):  # of tasks that the program waited for
            error = error.exceptions[0]
        text = f"{type(error).__name__}: {error}"
        if isinstance(error, ProgramFailed):
            text = str(error)
        now_ns = self.around.queue.now_ns
        self.around.recording.crashes.append(Crash(self.name, now_ns, _place(error), text))
        self._change("crashed", text)
        if self._running is not None:
            self._running.gate.close()

    def _change(self, state: str, cause: str, by: str = "") -> None:
        power = self.around.power
        if power is not None and "asleep" in (state, self.state):
            power.sleeps(self.name, asleep=state == "asleep")
        self.state = state
        self._sleep = None
        self.around.sleepers.pop(self.name, None)
        changes = self.around.recording.nodes[self.name]
        changes.append(NodeChange(self.around.queue.now_ns, state, cause, by))

    def _heard(self, bus: str, _controller: Controller) -> None:
        self._drain(bus)

    def _drain(self, bus: str) -> None:
        """Hand the program the frames of a bus that wait for it, if it takes them by
        ``on_frame``.
        """
        running = self._running
        if running is None or not _has_own(running.program, "on_frame"):
            return
        controller = self.ways[bus].controller
        while self.state == "running" and self._running is running and controller.inbox:
            message = running.ports[bus].recv(0)
            if message is None:
                return
            self.call(running.program.on_frame, message)


def _place(error: BaseException) -> str:
    """Where in the program an error arose: the innermost line that is not in a library."""
    if isinstance(error, ProgramFailed):
        return error.where
    frames = [
        frame
        for frame in traceback.extract_tb(error.__traceback__)
        if not frame.filename.startswith((_BENCH, "<frozen"))
    ]
    own = [frame for frame in frames if not frame.filename.startswith(_LIBRARIES)]
    if not frames:
        return "its first line"
    found = (own or frames)[-1]
    return f"{found.filename}:{found.lineno}"


def _has_own(program: Any, method: str) -> bool:
    """Whether a program has a method other than the empty one of the API's base class."""
    found = getattr(type(program), method, None)
    return found is not None and found.__module__ != "linkloss_nodes.api"
