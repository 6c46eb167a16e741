"""What a firmware asks of its board, answered: one method for each ``ASK_`` of ``c/machine.h``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

import can

from linkloss.bus import Controller
from linkloss.bus.confinement import ErrorState
from linkloss.bus.refusal import BusOff, MailboxesFull
from linkloss.clock import Event, EventQueue, OwnClock
from linkloss.firmware.library import interface
from linkloss.firmware.wiring import OutputPin, Wiring

TIMER = 2
OK, FULL, IS_BUS_OFF, NOT_SENDING = range(4)
_STATES = {ErrorState.ACTIVE: 0, ErrorState.PASSIVE: 1, ErrorState.BUS_OFF: 2}
MEMORY = "firmware memory"


class BusFace(Protocol):
    """What a firmware needs of its port."""

    controller: Controller

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Put a message into a mailbox."""


class LifeFace(Protocol):
    """What a firmware needs of its host."""

    def call(self, action: Callable[..., object], *args: Any) -> None:
        """Run a piece of the program."""


class BoardFace(Protocol):
    """What a firmware needs of a board of the bench."""

    life: LifeFace
    queue: EventQueue
    clock: OwnClock
    cause: str

    @property
    def bus(self) -> Any:
        """The port."""

    @property
    def memory(self) -> dict[str, Any]:
        """What outlives a reset."""

    def read(self, name: str) -> str | float:
        """An input."""

    def write(self, name: str, level: float) -> None:
        """Drive an output."""

    def release(self, name: str) -> None:
        """Let go of an output."""

    def supply_volts(self) -> float:
        """The supply voltage."""

    def current(self, name: str) -> float:
        """The current into an output."""

    def recover_bus(self) -> None:
        """Come back from bus-off."""

    def start_watchdog(self, timeout_ns: int) -> None:
        """Start the watchdog."""

    def feed_watchdog(self, at_ns: int | None = None) -> None:
        """Feed the watchdog."""

    def restart(self) -> None:
        """Reset the board."""

    def printed(self, text: str) -> None:
        """Note a line of text that the program gave out."""


class Answers:
    """The board's side of one life of a firmware."""

    def __init__(
        self,
        board: BoardFace,
        machine: Any,
        wiring: Wiring,
        interrupt: Callable[[int], None],
    ) -> None:
        self._board = board
        self._bus: BusFace = board.bus
        self._controller = self._bus.controller
        self._machine = machine
        self._outputs: Mapping[int, OutputPin] = {entry.pin: entry for entry in wiring.outputs}
        self._interrupt = interrupt
        self._timer: Event | None = None
        self._period_ns = 0
        self._sent = self._controller.sent
        self._overruns = self._controller.overruns
        kept = board.memory.setdefault(MEMORY, bytearray(b"\xff" * wiring.memory_bytes))
        self._memory = interface().from_buffer("uint8_t[]", kept, require_writable=True)

    def begin(self) -> None:
        """The memory that outlives a reset."""
        self._machine.memory = self._memory
        self._machine.memory_size = len(self._memory)

    def end(self) -> None:
        """Nothing comes from this board any more."""
        self._stop_timer()

    def output(self) -> None:
        """A pin drives, or lets go."""
        entry = self._outputs[self._machine.a]
        level = entry.level(self._machine.b)
        if level is None:
            self._board.release(entry.output)
        else:
            self._board.write(entry.output, level)

    def send(self) -> None:
        """A frame for a mailbox."""
        machine = self._machine
        length = machine.length
        message = can.Message(
            arbitration_id=machine.id,
            is_extended_id=bool(machine.extended),
            is_remote_frame=bool(machine.remote),
            dlc=length,
            data=None if machine.remote else bytes(machine.data[0:length]),
        )
        try:
            self._bus.send(message)
        except can.CanOperationError as refusal:
            why = refusal.__cause__
            full, off = isinstance(why, MailboxesFull), isinstance(why, BusOff)
            machine.result = FULL if full else IS_BUS_OFF if off else NOT_SENDING
        else:
            machine.result = OK

    def receive(self) -> None:
        """The oldest frame of the receive FIFO."""
        machine = self._machine
        received = self._controller.receive()
        machine.result = received is not None
        if received is None:
            return
        frame = received[1]
        machine.id = frame.identifier
        machine.extended, machine.remote = frame.extended, frame.remote
        machine.length = min(frame.dlc, 8)
        data = frame.data
        machine.data[0:8] = (data + bytes(8))[:8]

    def abort(self) -> None:
        """What waits is withdrawn."""
        self._controller.abort_pending()

    def status(self) -> None:
        """The controller's state and figures."""
        machine, controller = self._machine, self._controller
        machine.state = _STATES[controller.state]
        machine.tec, machine.rec = controller.tec, controller.rec
        machine.sent = controller.sent - self._sent
        machine.overruns = controller.overruns - self._overruns
        machine.frames_pending = controller.pending()

    def recover(self) -> None:
        """Back from bus-off."""
        self._board.recover_bus()

    def mode(self) -> None:
        """Normal, listening only, or off."""
        controller, mode = self._controller, self._machine.a
        if mode == 2:
            controller.power_off()
            return
        controller.power_on()
        controller.listen(only=mode == 1)

    def one_shot(self) -> None:
        """One attempt for each frame, or as many as it takes."""
        self._controller.single_shot = bool(self._machine.a)

    def filter(self) -> None:
        """One more kind of frame that is received."""
        machine = self._machine
        entry = (machine.id, machine.a, bool(machine.extended))
        self._controller.filters = [*self._controller.filters, entry]

    def accept_all(self) -> None:
        """Every frame is received."""
        self._controller.filters = []

    def timer(self) -> None:
        """The hardware timer starts anew, or stops."""
        self._stop_timer()
        self._period_ns = self._machine.a * 1_000
        if self._period_ns:
            self._arm(self._board.clock.now_ns() + self._period_ns)

    def watchdog(self) -> None:
        """The watchdog starts."""
        self._board.start_watchdog(self._machine.a * 1_000_000)

    def restart(self) -> None:
        """The program resets its board."""
        self._board.restart()

    def print(self) -> None:
        """A line on the serial line."""
        machine = self._machine
        text = bytes(interface().buffer(machine.text, machine.text_length))
        self._board.printed(text.decode("utf-8", errors="replace"))

    def _arm(self, shown_ns: int) -> None:
        board = self._board
        at_ns = board.clock.instant(shown_ns)
        self._timer = board.queue.at(at_ns, board.life.call, self._due, shown_ns)

    def _due(self, shown_ns: int) -> None:
        self._arm(shown_ns + self._period_ns)
        self._interrupt(TIMER)

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._board.queue.cancel(self._timer)
            self._timer = None


ANSWERS: Mapping[int, Callable[[Answers], None]] = {
    2: Answers.output,
    3: Answers.send,
    4: Answers.receive,
    5: Answers.abort,
    6: Answers.status,
    7: Answers.recover,
    8: Answers.mode,
    9: Answers.one_shot,
    10: Answers.filter,
    11: Answers.accept_all,
    12: Answers.timer,
    13: Answers.watchdog,
    14: Answers.restart,
    15: Answers.print,
}
"""By the numbers of ``enum request``."""
