"""A board without a bench: pins, clock, and a bus that hands over at once."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import can
from cantools.database import Database

from linkloss.clock.queue import EventQueue
from linkloss_nodes import MS
from linkloss_nodes.protect import Protection


class FakeBus(can.BusABC):
    """Keeps what is sent and hands it to ``to``; may be full, bus-off or cut off."""

    def __init__(self) -> None:
        super().__init__(channel="test")
        self.shutdown()  # nothing is open: no warning when it is dropped
        self.sent: list[can.Message] = []
        self.to: list[Callable[[can.Message], None]] = []
        self.full = False
        self.off = False
        self.flushed = 0
        self.wanted: list[Any] = []

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        if self.off or self.full:
            raise can.CanOperationError("bus-off" if self.off else "mailboxes full")
        self.sent.append(msg)
        for receive in self.to:
            receive(msg)

    def flush_tx_buffer(self) -> None:
        self.flushed += 1
        self.full = False

    def set_filters(self, filters: Any = None) -> None:
        self.wanted = filters or []

    @property
    def state(self) -> can.BusState:
        return can.BusState.ERROR if self.off else can.BusState.ACTIVE

    @state.setter
    def state(self, new_state: can.BusState) -> None:
        raise NotImplementedError


class FakeTimer:
    def __init__(self) -> None:
        self.cancelled = False

    def cancel(self) -> None:
        self.cancelled = True


class FakeBoard:
    """One board. ``level`` holds what was written to each output, ``edges`` all its changes."""

    def __init__(
        self,
        name: str,
        settings: Mapping[str, Any],
        messages: Database,
        queue: EventQueue | None = None,
        inputs: dict[str, str | float] | None = None,
    ) -> None:
        self.name = name
        self.settings = settings
        self.messages = messages
        self.queue = queue or EventQueue()
        self.inputs = inputs or {}
        self.bus = FakeBus()
        self.memory: dict[str, Any] = {}
        self.level: dict[str, float] = {}
        self.amps: dict[str, float] = {}
        self.volts = 13.5
        self.edges: list[tuple[float, str, float]] = []
        self.recoveries: list[float] = []
        self.watchdog_ns = 0
        self.fed = 0
        self.program: Any = None

    # ---- the board ----

    def now_ns(self) -> int:
        return self.queue.now_ns

    def after(self, delay_ns: int, action: Callable[..., object], *args: Any) -> FakeTimer:
        assert delay_ns >= 0
        timer = FakeTimer()
        program = self.program
        self.queue.after(delay_ns, self._due, timer, program, action, args)
        return timer

    def every(
        self,
        period_ns: int,
        action: Callable[..., object],
        *args: Any,
        first_ns: int | None = None,
        interrupt: bool = False,
    ) -> FakeTimer:
        timer = FakeTimer()

        def again() -> None:
            action(*args)
            self.queue.after(period_ns, self._due, timer, self.program, again, ())

        first = period_ns if first_ns is None else first_ns
        self.queue.after(first, self._due, timer, self.program, again, ())
        return timer

    def _due(self, timer: FakeTimer, program: Any, action: Any, args: Any) -> None:
        if not timer.cancelled and program is self.program:
            action(*args)

    def read(self, name: str) -> str | float:
        return self.inputs[name]

    def write(self, name: str, level: float) -> None:
        if self.level.get(name) != level:
            self.edges.append((self.queue.now_ns / MS, name, level))
        self.level[name] = level

    def release(self, name: str) -> None:
        self.level.pop(name, None)

    def supply_volts(self) -> float:
        return self.volts

    def current(self, name: str) -> float:
        return self.amps.get(name, math.nan)

    def output_status(self, name: str) -> str:
        return "ok"

    def recover_bus(self) -> None:
        self.recoveries.append(self.queue.now_ns / MS)

    def start_watchdog(self, timeout_ns: int) -> None:
        self.watchdog_ns = timeout_ns

    def feed_watchdog(self) -> None:
        self.fed += 1

    def restart(self) -> None:
        raise AssertionError("no bundled node restarts itself")

    # ---- the test's side ----

    def boot(self, program: Callable[[Any], Any]) -> Any:
        """Start the program anew, as a reset does: its timers die, its memory does not."""
        self.program = None
        built = program(self)
        self.program = built
        built.start()
        return built

    def set(self, **values: str | float) -> None:
        for name, value in values.items():
            self.inputs[name] = value
            self.program.on_input(name, value)

    def run(self, ms: float) -> None:
        """Let time pass."""
        self.queue.run_until(self.queue.now_ns + round(ms * MS))

    def pulses(self, output: str) -> list[tuple[float, float]]:
        """When an output went on, and for how many ms."""
        found, on = [], None
        for at, name, level in self.edges:
            if name == output and level and on is None:
                on = at
            elif name == output and not level and on is not None:
                found.append((on, at - on))
                on = None
        return found


class Speaker:
    """Sends one message to a node under test, well formed unless told otherwise."""

    def __init__(self, board: FakeBoard, message: str) -> None:
        self.board = board
        self.definition = board.messages.get_message_by_name(message)
        self.count = 0
        self.values: dict[str, float] = {signal.name: 0 for signal in self.definition.signals}
        self._talking: FakeTimer | None = None

    def frame(self, **values: float) -> can.Message:
        """The next message."""
        self.values.update(values)
        self.count = (self.count + 1) % 16
        data = bytearray(self.definition.encode(self.values, strict=False, scaling=False))
        Protection(self.definition).seal(data, self.count)
        return can.Message(arbitration_id=self.definition.frame_id, data=data, is_extended_id=False)

    def say(self, **values: float) -> can.Message:
        """Send one."""
        frame = self.frame(**values)
        self.board.program.on_frame(frame)
        return frame

    def talk(self, ms: float, every_ms: float = 50, **values: float) -> None:
        """Send one every so often while time passes."""
        end = self.board.queue.now_ns + round(ms * MS)
        self.values.update(values)
        while self.board.queue.now_ns < end:
            self.say()
            self.board.run(every_ms)
