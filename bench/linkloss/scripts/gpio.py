"""What a script gets when it imports ``RPi.GPIO``: pins by number, as the vehicle file buses them.

The calls are those of that library (from memory of its documentation): numbering, setup, input,
output, edge detection, PWM, cleanup.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from types import ModuleType
from typing import Any, Protocol

from linkloss.firmware.wiring import InputPin, OutputPin, Wiring
from linkloss.scripts.tasks import Task, Tasks
from linkloss.scripts.threads import Threading, deadline_ns

LOW, HIGH = 0, 1
OUT, IN = 0, 1
PUD_OFF, PUD_DOWN, PUD_UP = 20, 21, 22
RISING, FALLING, BOTH = 31, 32, 33
BOARD, BCM = 10, 11


class Pins(Protocol):
    """The pins of a board, by name."""

    def read(self, name: str) -> str | float:
        """An input."""

    def write(self, name: str, level: float) -> None:
        """Drive an output."""

    def release(self, name: str) -> None:
        """Let go of an output."""


@dataclass(frozen=True, slots=True)
class PinBank:
    """The pins of a node, as they are wired."""

    wiring: Wiring

    def life(self, board: Pins, tasks: Tasks, threads: Threading) -> Gpio:
        """The pins in one life of a script."""
        return Gpio(self.wiring, board, tasks, threads)


class Gpio:
    """The pins in one life of a script: all are inputs until set up."""

    def __init__(self, wiring: Wiring, board: Pins, tasks: Tasks, threads: Threading) -> None:
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
        """Let go of pins; all of them if none is named."""
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
        """Note edges of a pin; a callback runs in a thread of its own."""
        self._tasks.spend()
        self._edges[channel] = _Edge(edge, callback, bouncetime * 1_000_000, self._level(channel))

    def event_detected(self, channel: int) -> bool:
        """Whether there was an edge since the last question."""
        self._tasks.spend()
        found = self._edges.get(channel)
        seen = found is not None and found.seen
        if found is not None:
            found.seen = False
        return seen

    def wait_for_edge(self, channel: int, edge: int, timeout: int | None = None) -> int | None:
        """Wait for an edge, ``timeout`` in ms; the pin, or None."""
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
        """PWM: the share of the time that a pin is high."""
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
    """What waits for an edge of a pin."""

    kind: int
    callback: Callable[[int], object] | None
    bounce_ns: int
    level: int
    at_ns: int | None = None
    seen: bool = False
    waiters: list[Task] = field(default_factory=list)


class _Pwm:
    """``GPIO.PWM``: the load sees the share of the time that the pin is high."""

    def __init__(self, gpio: Gpio, channel: int) -> None:
        self._gpio = gpio
        self._pin = channel

    def start(self, dutycycle: float) -> None:
        """Begin, ``dutycycle`` in percent."""
        self._gpio.drive_share(self._pin, dutycycle)

    ChangeDutyCycle = start

    def ChangeFrequency(self, frequency: float) -> None:  # noqa: N802 - the library's name
        """The load does not see the frequency."""

    def stop(self) -> None:
        """End: the pin is low."""
        self._gpio.drive_share(self._pin, 0)


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
        setup=gpio.setup,
        output=gpio.output,
        input=gpio.input,
        cleanup=gpio.cleanup,
        add_event_detect=gpio.add_event_detect,
        event_detected=gpio.event_detected,
        wait_for_edge=gpio.wait_for_edge,
        PWM=lambda channel, _frequency: _Pwm(gpio, channel),
    )
    package = ModuleType("RPi")
    package.__dict__.update(GPIO=made, __path__=[])
    return {"RPi": package, "RPi.GPIO": made}


def _each(channel: Any) -> Iterable[int]:
    return channel if isinstance(channel, list | tuple) else (channel,)
