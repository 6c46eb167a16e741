"""Stand-ins for the modules that use pins, the wall clock, chance or a real bus.

``RPi.GPIO`` gives the pins by number, as the vehicle file wires them. Its calls are those of that
library (from memory of its documentation): numbering, setup, input, output, edge detection, PWM,
cleanup.

``can.Bus`` gives a port whose ``recv`` really waits.

Stand-ins are separate module objects, made for each run; other code keeps the real modules. All
clocks follow the node's own clock. ``time.time()`` counts from the beginning of the run, as on a
small computer without a battery-backed clock; the other clocks count from the start of the script.
Both begin where the scenario says.
"""

from __future__ import annotations

import datetime as dt
import random
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from types import ModuleType
from typing import Any

import can

from linkloss.bus import Port
from linkloss.firmware.answers import InputPin, OutputPin, Wiring
from linkloss.firmware.guard import BoardFace
from linkloss.firmware.threads import Task, Tasks, Threading, deadline_ns

_LOOK_AGAIN_NS = 100_000
"""How often a waiting send looks for a free mailbox: less than the time of a frame."""


class ScriptPort(Port):
    """A port over the node's controller, for the tasks of one script."""

    def __init__(self, tasks: Tasks, inner: Port, can_filters: Any = None) -> None:
        self._tasks = tasks
        self._waiters: list[Task] = []
        self._inner = inner
        inner.controller.inbox.clear()  # a socket receives only what comes after it was opened
        inner.controller.restore_settings()
        super().__init__(
            inner.controller, tasks.queue, inner.channel, can_filters, clock=tasks.clock
        )

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Put a message into a free mailbox, waiting for one for up to ``timeout`` seconds."""
        if self._tasks.current is not None:  # None for a periodic message
            self._wait_for_mailbox(timeout)
        self.on_attempt, self.on_refused = self._inner.on_attempt, self._inner.on_refused
        super().send(msg)

    def _wait_for_mailbox(self, timeout: float | None) -> None:
        self._tasks.spend()
        controller = self.controller
        until_ns = deadline_ns(self._tasks, timeout or 0)
        while controller.ready and controller.pending() >= controller.mailboxes:
            now_ns = self._tasks.queue.now_ns
            if until_ns is None or now_ns >= until_ns:
                break
            self._tasks.wait(min(until_ns, now_ns + _LOOK_AGAIN_NS))

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """The oldest message; None when there was none for ``timeout`` seconds."""
        self._tasks.spend()
        until_ns = deadline_ns(self._tasks, timeout)
        while not self.controller.inbox and not self._is_shutdown:
            if until_ns is not None and self._tasks.queue.now_ns >= until_ns:
                return None
            self._tasks.wait(until_ns, self._waiters)
        return super().recv(0)

    def fileno(self) -> int:
        """There is no file to wait on: a ``can.Notifier`` takes a thread."""
        raise NotImplementedError("a bus on the bench has no file to wait on")

    def shutdown(self) -> None:
        """Close the bus, and wake the tasks that wait for a message."""
        super().shutdown()
        self._tasks.wake(self._waiters)

    def received(self) -> None:
        """A frame is in the controller's FIFO."""
        if self._waiters:
            self._tasks.wake(self._waiters, 1)


NS_PER_S = 1e9


def copy_of(module: ModuleType) -> ModuleType:
    """A module with the same content, which may be changed."""
    made = ModuleType(module.__name__, module.__doc__)
    made.__dict__.update(module.__dict__)
    return made


def time_module(tasks: Tasks) -> ModuleType:
    """``time`` on the clock of the script's node."""
    clock = tasks.clock

    def now_ns() -> int:
        tasks.spend()
        return clock.now_ns()

    def running_ns() -> int:
        return now_ns() - clock.shows(tasks.begun_ns) + clock.start_ns

    def sleep(secs: float) -> None:
        if secs < 0:
            raise ValueError("sleep length must be non-negative")
        tasks.spend()
        tasks.wait(clock.after(round(secs * NS_PER_S)))

    def of_now(convert: Callable[[float], Any]) -> Callable[..., Any]:
        return lambda secs=None: convert(now_ns() / NS_PER_S if secs is None else secs)

    made = copy_of(time)
    made.__dict__.update(
        sleep=sleep,
        time=lambda: now_ns() / NS_PER_S,
        time_ns=now_ns,
        gmtime=of_now(time.gmtime),
        localtime=of_now(time.gmtime),
        ctime=of_now(lambda secs: time.asctime(time.gmtime(secs))),
    )
    for name in ("monotonic", "perf_counter", "process_time", "thread_time"):
        made.__dict__[name] = lambda: running_ns() / NS_PER_S
        made.__dict__[f"{name}_ns"] = running_ns
    return made


def datetime_module(clock: ModuleType) -> ModuleType:
    """``datetime`` whose now and today follow a ``time`` module."""
    utc = dt.UTC

    class DateTime(dt.datetime):
        @classmethod
        def now(cls, tz: dt.tzinfo | None = None) -> DateTime:
            found = cls.fromtimestamp(clock.time(), utc)
            return found.replace(tzinfo=None) if tz is None else found.astimezone(tz)

        utcnow = today = now

    class Date(dt.date):
        @classmethod
        def today(cls) -> Date:
            return cls.fromordinal(DateTime.now().toordinal())

    DateTime.__name__, Date.__name__ = "datetime", "date"
    made = copy_of(dt)
    made.__dict__.update(datetime=DateTime, date=Date)
    return made


def random_module(name: str) -> ModuleType:
    """``random`` with a generator that starts the same at each start of the node."""
    made = copy_of(random)
    generator = random.Random(name)  # noqa: S311 - repeatable on purpose
    for key in random.__all__:
        method = getattr(generator, key, None)
        if callable(method):
            made.__dict__[key] = method
    return made


class CanFactory:
    """``can.Bus`` in a script: it opens the node's only controller."""

    def __init__(
        self, tasks: Tasks, inner: Port, sample_point: tuple[float, float], channel: str | None
    ) -> None:
        self._tasks = tasks
        self._sample_point = sample_point
        self._channel = channel
        self._inner = inner
        self.bus: ScriptPort | None = None

    def open(
        self,
        channel: Any = None,
        interface: str | None = None,
        *_names: Any,
        bitrate: int | None = None,
        data_bitrate: int | None = None,
        can_filters: Any = None,
        receive_own_messages: bool = False,
        fd: bool = False,
        timing: can.BitTiming | can.BitTimingFd | None = None,
        **_rest: Any,
    ) -> ScriptPort:
        """Open the bus, whatever adapter the script names.

        :raises can.CanInitializationError: for an interface without a cable, a second bus, another
            channel than that of the adapter, other bit rates than the bus's, a sample point that
            the bus does not allow, CAN FD with a classical controller, or the return of own
            messages, which is not simulated.
        """
        name, segment = self._inner.controller.name, self._inner.controller.segment
        bus_rate = segment.bus.bit_rate if segment is not None else bitrate
        bus_data = segment.bus.data_bit_rate if segment is not None else data_bitrate
        if isinstance(timing, can.BitTimingFd):
            bitrate, data_bitrate = timing.nom_bitrate, timing.data_bitrate
        elif timing is not None:
            bitrate = timing.bitrate
        problem = self._timing_problem(timing)
        if self.bus is not None and not self.bus._is_shutdown:
            problem = "has one controller, and its bus is open already; shut it down first"
        elif interface == "virtual":
            problem = "opens the interface 'virtual', which no cable leads to"
        elif channel is not None and self._channel not in (None, str(channel)):
            problem = f"opens channel '{channel}'; its adapter is '{self._channel}'"
        elif bitrate is not None and bitrate != bus_rate:
            problem = f"opens its bus with {bitrate} bit/s; the bus has {bus_rate} bit/s"
        elif fd and not self._inner.controller.fd:
            problem = "opens its bus for CAN FD, but its controller is classical, without 'fd'"
        elif fd and data_bitrate is not None and data_bitrate != bus_data:
            problem = (
                f"opens its bus with {data_bitrate} bit/s for data; the bus has {bus_data} bit/s"
            )
        elif receive_own_messages:
            problem = "wants its own messages back (receive_own_messages), which no bus here does"
        if problem:
            raise can.CanInitializationError(f"node '{name}' {problem}")
        if channel is not None:
            self._channel = str(channel)
        self.bus = ScriptPort(self._tasks, self._inner, can_filters)
        return self.bus

    def _timing_problem(self, timing: can.BitTiming | can.BitTimingFd | None) -> str:
        """What is wrong with the sample point of a bit timing; empty if nothing is. python-can
        checks the jump width when the timing is made.
        """
        if timing is None:
            return ""
        least, most = self._sample_point
        fd = isinstance(timing, can.BitTimingFd)
        at: float = getattr(timing, "nom_sample_point" if fd else "sample_point")
        if not 100 * least <= at <= 100 * most:
            return f"samples its bits at {at:.1f} %; the bus allows {least:.1%} to {most:.1%}"
        return ""


def can_modules(factory: CanFactory) -> dict[str, ModuleType]:
    """``can`` and its ``interface``, which open the node's own bus."""
    made = copy_of(can)
    interface = copy_of(can.interface)
    interface.__dict__["Bus"] = factory.open
    made.__dict__.update(Bus=factory.open, ThreadSafeBus=factory.open, interface=interface)
    return {"can": made, "can.interface": interface}


LOW, HIGH = 0, 1
OUT, IN = 0, 1
PUD_OFF, PUD_DOWN, PUD_UP = 20, 21, 22
RISING, FALLING, BOTH = 31, 32, 33
BOARD, BCM = 10, 11


class Gpio:
    """The pins in one run of a script. All are inputs until set up."""

    def __init__(self, wiring: Wiring, board: BoardFace, tasks: Tasks, threads: Threading) -> None:
        self._outputs: dict[int, OutputPin] = {entry.pin: entry for entry in wiring.outputs}
        self._inputs: dict[int, InputPin] = {entry.pin: entry for entry in wiring.inputs}
        self._board = board
        self._tasks = tasks
        self._threads = threads
        self._modes: dict[int, int] = {}
        self._levels: dict[int, int] = {}
        self._pulls: dict[int, int] = {}
        self._edges: dict[int, _Edge] = {}

    def setup(
        self, channel: Any, direction: int, pull_up_down: int = PUD_OFF, initial: int = -1
    ) -> None:
        """Make pins inputs or outputs."""
        for pin in _each(channel):
            self._modes[pin] = direction
            self._pulls[pin] = pull_up_down
            if direction == IN:
                self._release(pin)
            else:
                level = self._levels.get(pin, 0) if initial < 0 else 255 * bool(initial)
                self._drive(pin, level)

    def output(self, channel: Any, value: Any) -> None:
        """Drive outputs."""
        pins = list(_each(channel))
        values = list(value) if isinstance(value, list | tuple) else [value] * len(pins)
        for pin, level in zip(pins, values, strict=True):
            if self._modes.get(pin) != OUT:
                raise RuntimeError(f"pin {pin} was not set up as an output")
            self._drive(pin, 255 * bool(level))

    def input(self, channel: int) -> int:
        """The level of a pin."""
        self._tasks.spend()
        if channel not in self._modes:
            raise RuntimeError(f"pin {channel} was not set up")
        if self._modes[channel] == OUT:
            return int(self._levels.get(channel, 0) > 127)
        return self._level(channel)

    def cleanup(self, channel: Any = None) -> None:
        """Release pins; all of them if none is named."""
        for pin in list(self._modes) if channel is None else _each(channel):
            self._modes.pop(pin, None)
            self._edges.pop(pin, None)
            self._release(pin)

    def add_event_detect(
        self,
        channel: int,
        edge: int,
        callback: Callable[[int], object] | None = None,
        bouncetime: int = 0,
    ) -> None:
        """Detect edges of a pin, with ``bouncetime`` in ms; a callback runs in its own thread."""
        self._tasks.spend()
        self._edges[channel] = _Edge(edge, callback, bouncetime * 1_000_000, self._level(channel))

    def event_detected(self, channel: int) -> bool:
        """Whether there was an edge since the last call."""
        self._tasks.spend()
        found = self._edges.get(channel)
        seen = found is not None and found.seen
        if found is not None:
            found.seen = False
        return seen

    def wait_for_edge(self, channel: int, edge: int, timeout: int | None = None) -> int | None:
        """Wait for an edge for up to ``timeout`` ms. Return the pin, or None after the timeout."""
        found = self._edges[channel] = _Edge(edge, None, 0, self._level(channel))
        until_ns = deadline_ns(self._tasks, None if timeout is None else timeout / 1000)
        self._tasks.wait(until_ns, found.waiters)
        return channel if found.seen else None

    def input_changed(self, name: str, value: str | float) -> None:
        """An input of the node has changed."""
        for pin, entry in self._inputs.items():
            if entry.name == name and pin in self._edges:
                self._edge(pin, self._edges[pin], int(entry.high(value)))

    def drive_share(self, pin: int, percent: float) -> None:
        """PWM: set the share of time for which a pin is high, in percent."""
        self._drive(pin, round(min(100.0, max(0.0, percent)) * 2.55))

    def _edge(self, pin: int, edge: _Edge, level: int) -> None:
        before, edge.level = edge.level, level
        now_ns = self._tasks.clock.now_ns()
        if before == level or edge.kind == (FALLING if level else RISING):
            return
        if edge.at_ns is not None and now_ns - edge.at_ns < edge.bounce_ns:
            return
        edge.at_ns, edge.seen = now_ns, True
        self._tasks.wake(edge.waiters)
        if edge.callback is not None:
            thread = self._threads.thread_class(target=edge.callback, args=(pin,), daemon=True)
            thread.start()

    def _level(self, pin: int) -> int:
        entry = self._inputs.get(pin)
        if entry is None:
            return int(self._pulls.get(pin) == PUD_UP)
        return int(entry.high(self._board.read(entry.name)))

    def _drive(self, pin: int, duty: int) -> None:
        self._tasks.spend()
        self._levels[pin] = duty
        entry = self._outputs.get(pin)
        level = None if entry is None else entry.level(duty)
        if entry is not None and level is not None:
            self._board.write(entry.output, level)

    def _release(self, pin: int) -> None:
        self._tasks.spend()
        entry = self._outputs.get(pin)
        if entry is not None:
            self._board.release(entry.output)


@dataclass(slots=True, eq=False)
class _Edge:
    """The edge detection of a pin."""

    kind: int
    callback: Callable[[int], object] | None
    bounce_ns: int
    level: int
    at_ns: int | None = None
    seen: bool = False
    waiters: list[Task] = field(default_factory=list)


class _Pwm:
    """``GPIO.PWM``: the load sees the share of time for which the pin is high."""

    def __init__(self, gpio: Gpio, channel: int) -> None:
        self._gpio = gpio
        self._pin = channel

    def start(self, dutycycle: float) -> None:
        """Begin, ``dutycycle`` in percent."""
        self._gpio.drive_share(self._pin, dutycycle)

    ChangeDutyCycle = start

    def ChangeFrequency(self, frequency: float) -> None:  # noqa: N802 - the library's name
        """No effect: the load does not see the frequency."""

    def stop(self) -> None:
        """Stop, with the pin low."""
        self._gpio.drive_share(self._pin, 0)


_CALLS = (
    "setup", "output", "input", "cleanup", "add_event_detect", "event_detected", "wait_for_edge",
)  # fmt: skip


def gpio_modules(gpio: Gpio) -> dict[str, ModuleType]:
    """``RPi`` and ``RPi.GPIO`` over the pins of a board."""
    made = ModuleType("RPi.GPIO", "Pins of a node on the bench.")
    made.__dict__.update(
        {name: value for name, value in globals().items() if isinstance(value, int)},
    )
    made.__dict__.update(
        setmode=lambda _mode: None,
        getmode=lambda: BCM,
        setwarnings=lambda _flag: None,
        PWM=lambda channel, _frequency: _Pwm(gpio, channel),
    )
    for name in _CALLS:
        made.__dict__[name] = getattr(gpio, name)
    package = ModuleType("RPi")
    package.__dict__.update(GPIO=made, __path__=[])
    return {"RPi": package, "RPi.GPIO": made}


def _each(channel: Any) -> Iterable[int]:
    return channel if isinstance(channel, list | tuple) else (channel,)
