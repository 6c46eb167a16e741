"""The board that one life of a program sees, see ``linkloss_nodes.Board``.

A reset makes a new board. What an old program still does with its own, in a ``finally`` of a
coroutine for instance, reaches nothing any more: on real hardware it would not even run.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any, Protocol

import can
from cantools.database import Database

from linkloss.clock import Event, EventQueue, OwnClock
from linkloss.model.expression import Value
from linkloss.model.problem import unknown
from linkloss.session.pins import Inputs, Output


class Restart(BaseException):
    """The program resets its board: nothing behind the call runs any more."""


class Sleep(Restart):
    """The program puts its board to sleep, until one of ``inputs`` moves (None: of all), or one of
    the messages ``frames`` is on the bus (True: any frame, False: none).
    """

    def __init__(self, inputs: Collection[str] | None, frames: bool | Collection[str]) -> None:
        self.inputs = inputs
        self.frames = frames


class GoneError(RuntimeError):
    """A program that has been reset still uses its old board."""


class Life(Protocol):
    """What a board needs of the node that it belongs to."""

    @property
    def state(self) -> str:
        """``running``, ``hung``, ``reset``, ``asleep`` or ``crashed``."""

    def call(self, action: Callable[..., object], *args: Any) -> None:
        """Run a piece of the program."""

    def bite(self) -> None:
        """The watchdog was not fed."""

    def recover_bus(self) -> None:
        """Ask the controller to come back from bus-off."""

    def volts(self) -> float:
        """The voltage at its terminals, in V."""

    def printed(self, text: str) -> None:
        """The program gave out a line of text."""


class BoardTimer:
    """A timer of a program; it dies with its board."""

    __slots__ = ("_action", "_args", "_board", "_event", "_interrupt", "_period_ns")

    def __init__(
        self,
        board: Board,
        action: Callable[..., object],
        args: tuple[Any, ...],
        period_ns: int | None,
        *,
        interrupt: bool,
    ) -> None:
        self._board = board
        self._action = action
        self._args = args
        self._event: Event | None = None
        self._period_ns = period_ns
        self._interrupt = interrupt

    def arm(self, shown_ns: int) -> None:
        """Be due when the board's clock shows a time."""
        board = self._board
        self._event = board.queue.at(board.clock.instant(shown_ns), self._due, shown_ns)

    def cancel(self) -> None:
        """Stop the timer."""
        self._period_ns = None
        if self._event is not None:
            self._board.queue.cancel(self._event)
            self._event = None
        self._board.postponed.pop(self, None)

    def _due(self, shown_ns: int) -> None:
        self._event = None
        board = self._board
        if not board.alive:
            return
        state = board.life.state
        if state != "running" and not (self._interrupt and state == "hung"):
            board.postponed[self] = None
            return
        if self._period_ns is not None:
            self.arm(shown_ns + self._period_ns)
        board.life.call(self._action, *self._args)

    def catch_up(self) -> None:
        """Run now what could not run while the program hung."""
        self._due(self._board.now_ns())


class Board:
    """Pins, clock, controller, memory and watchdog of one life of a program."""

    def __init__(
        self,
        *,
        life: Life,
        name: str,
        queue: EventQueue,
        clock: OwnClock,
        inputs: Inputs,
        outputs: Mapping[str, Output],
        bus: can.BusABC,
        messages: Database,
        settings: Mapping[str, Any],
        memory: dict[str, Any],
        cause: str = "power-up",
    ) -> None:
        self.life = life
        self.name = name
        self.queue = queue
        self.clock = clock
        self.messages = messages
        self.settings = settings
        self.cause = cause
        self.alive = True
        self.postponed: dict[BoardTimer, None] = {}
        self._inputs = inputs
        self._outputs = outputs
        self._bus = bus
        self._memory = memory
        self._dog_timeout_ns = 0
        self._dog_deadline_ns = 0
        self._dog: Event | None = None

    def die(self) -> None:
        """The life is over: timers and watchdog stop, and the board answers no more."""
        self.alive = False
        self.postponed.clear()
        if self._dog is not None:
            self.queue.cancel(self._dog)
            self._dog = None

    def catch_up(self) -> None:
        """Run the timers that came due while the program hung."""
        for timer in list(self.postponed):
            if timer in self.postponed:  # no earlier one has cancelled it
                del self.postponed[timer]
                timer.catch_up()

    @property
    def bus(self) -> can.BusABC:
        self._must_live()
        return self._bus

    @property
    def memory(self) -> dict[str, Any]:
        self._must_live()
        return self._memory

    def now_ns(self) -> int:
        return self.clock.now_ns()

    def after(self, delay_ns: int, action: Callable[..., object], *args: Any) -> BoardTimer:
        timer = BoardTimer(self, action, args, None, interrupt=False)
        timer.arm(self.now_ns() + max(0, delay_ns))
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
        timer = BoardTimer(self, action, args, period_ns, interrupt=interrupt)
        timer.arm(self.now_ns() + (period_ns if first_ns is None else first_ns))
        return timer

    def read(self, name: str) -> Value:
        return self._inputs.read(self.name, name)

    def write(self, name: str, level: float) -> None:
        self._output(name).drive(min(1.0, max(0.0, float(level))))

    def release(self, name: str) -> None:
        self._output(name).drive(None)

    def _output(self, name: str) -> Output:
        self._must_live()
        try:
            return self._outputs[name]
        except KeyError:
            text = unknown(f"output of node '{self.name}'", name, self._outputs)
            raise LookupError(text) from None

    def supply_volts(self) -> float:
        return self.life.volts()

    def current(self, name: str) -> float:
        return self._output(name).amps()

    def output_status(self, name: str) -> str:
        return self._output(name).status()

    def recover_bus(self) -> None:
        self._must_live()
        self.life.recover_bus()

    def start_watchdog(self, timeout_ns: int) -> None:
        self._must_live()
        if self._dog is not None:
            self.queue.cancel(self._dog)
        self._dog_timeout_ns = timeout_ns
        self._dog_deadline_ns = self.clock.after(timeout_ns)
        self._dog = self.queue.at(self._dog_deadline_ns, self._dog_due)

    def feed_watchdog(self, at_ns: int | None = None) -> None:
        """Feed the watchdog; a program that runs ahead of the bench says at which instant."""
        ahead_ns = 0 if at_ns is None else at_ns - self.queue.now_ns
        self._dog_deadline_ns = self.clock.after(self._dog_timeout_ns) + ahead_ns

    def _dog_due(self) -> None:
        if self.queue.now_ns < self._dog_deadline_ns:  # fed meanwhile: look when it runs out
            self._dog = self.queue.at(self._dog_deadline_ns, self._dog_due)
            return
        self._dog = None
        self.life.bite()

    def printed(self, text: str) -> None:
        """Note a line of text that the program gave out."""
        self._must_live()
        self.life.printed(text)

    def restart(self) -> None:
        self._must_live()
        raise Restart

    def sleep(
        self, inputs: Collection[str] | None = None, frames: bool | Collection[str] = False
    ) -> None:
        self._must_live()
        for name in inputs or ():
            self._inputs.read(self.name, name)
        for name in () if isinstance(frames, bool) else frames:
            self.messages.get_message_by_name(name)
        raise Sleep(inputs, frames)

    def _must_live(self) -> None:
        if not self.alive:
            raise GoneError(f"node '{self.name}' was reset; its program uses a board of before")
