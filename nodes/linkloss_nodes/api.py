"""What a node's program sees of the board it runs on.

Bundled and homemade nodes use this alike. A node is a class that is built anew at every start of
its program, as a microcontroller clears its memory at a reset:

    class RearNode(Node):
        def start(self) -> None:
            self.board.every(50 * MS, self.send_status)

        def on_frame(self, message: can.Message) -> None:
            ...

Instead of callbacks, or beside them, a node may have an ``async def run(self)``; in it,
``asyncio.sleep`` takes the board's time. Nothing here knows who runs the node: a test bench on
virtual time, or a small computer in the car.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Collection, Mapping
from difflib import get_close_matches
from typing import Any, Protocol, TypeVar

import can
from cantools.database import Database

US = 1_000
MS = 1_000_000
S = 1_000_000_000

SettingsT = TypeVar("SettingsT")


class Timer(Protocol):
    """A running timer."""

    def cancel(self) -> None:
        """Stop the timer; stopping it twice, or after it has run, does nothing."""


class Board(Protocol):
    """The hardware around the program: pins, clock, supply, CAN controller, memory."""

    @property
    def name(self) -> str:
        """The node's name in the vehicle."""

    @property
    def settings(self) -> Mapping[str, Any]:
        """The node's settings as they stand in the vehicle file."""

    @property
    def messages(self) -> Database:
        """The message definition."""

    @property
    def bus(self) -> can.BusABC:
        """The CAN controller, as a python-can bus. ``recv(0)`` polls, ``recv`` cannot wait. That of
        the first bus, of a node on several; ``on_frame`` tells by ``message.channel``.
        """

    @property
    def buses(self) -> Mapping[str, can.BusABC]:
        """The CAN controllers by the names of their buses in the vehicle."""

    @property
    def memory(self) -> dict[str, Any]:
        """What survives a reset (EEPROM or flash). Everything else of the node does not."""

    def now_ns(self) -> int:
        """The board's clock, in nanoseconds: it begins at 0 when the board is first powered, or
        where a test lets it begin, and a reset does not set it back.
        """

    def after(self, delay_ns: int, action: Callable[..., object], *args: Any) -> Timer:
        """Run ``action(*args)`` once, ``delay_ns`` from now."""

    def every(
        self,
        period_ns: int,
        action: Callable[..., object],
        *args: Any,
        first_ns: int | None = None,
        interrupt: bool = False,
    ) -> Timer:
        """Run ``action(*args)`` every ``period_ns``, first after ``first_ns`` (default: one
        period). With ``interrupt`` it runs from a hardware timer's interrupt: it goes on while
        the main program hangs.
        """

    def read(self, name: str) -> str | float:
        """An input: the position of a switch, or the value of a sensor in its unit."""

    def write(self, name: str, level: float) -> None:
        """Drive an output: 0.0 off, 1.0 on, between them the duty of a PWM output."""

    def release(self, name: str) -> None:
        """Stop driving an output: it falls to what the hardware makes of it."""

    def supply_volts(self) -> float:
        """The supply voltage at the board's terminals, in volts."""

    def current(self, name: str) -> float:
        """The current into an output as the board senses it, in amperes; not a number (``nan``)
        where nothing senses it.
        """

    def output_status(self, name: str) -> str:
        """What the switch of an output reports of itself: ``ok``, ``open load`` (hardly any
        current while on), ``over-current`` or ``over-temperature`` (it has switched off by itself
        and will try again) or ``latched off`` (it stays off until 0 is written). A switch without
        diagnosis, such as a relay, always reports ``ok``.
        """

    def recover_bus(self, bus: str | None = None) -> None:
        """Ask the CAN controller on a bus (None: each one) to come back from bus-off; it takes
        128 x 11 recessive bits.
        """

    def start_watchdog(self, timeout_ns: int) -> None:
        """Start the hardware watchdog: unless fed within ``timeout_ns`` it resets the board."""

    def feed_watchdog(self) -> None:
        """Feed the watchdog."""

    def restart(self) -> None:
        """Reset the board from the program."""

    def sleep(
        self, inputs: Collection[str] | None = None, frames: bool | Collection[str] = False
    ) -> None:
        """Put the board to sleep from the program: nothing behind the call runs any more.

        Asleep it draws next to nothing, its outputs stay as they are, and its controller neither
        sends nor acknowledges; what still waited in it is lost. It wakes when one of ``inputs``
        moves (default: of all that are wired to it), or by what is on the bus: with ``frames``
        True any frame, as a common transceiver has it, or the messages of these names, as one
        with selective wake-up has it (from memory: ISO 11898-2:2016). That frame itself is lost,
        too. Then the program starts anew as after a reset, but that its outputs stay as they are
        until it drives them. Look at the inputs last thing before: an edge before the call wakes
        nobody.
        """


class Node:
    """The base of every node's program."""

    def __init__(self, board: Board) -> None:
        self.board = board

    def start(self) -> None:
        """The program begins: set the pins, start timers, look at the inputs."""

    def on_frame(self, message: can.Message) -> None:
        """A frame arrived and passed the filters. Not overridden: poll ``board.bus.recv(0)``."""

    def on_input(self, name: str, value: str | float) -> None:
        """An input of this node changed (raw: contacts may bounce)."""


class SettingsError(ValueError):
    """A setting that a node does not know, lacks or cannot use. ``key`` names it."""

    def __init__(self, key: str, text: str) -> None:
        self.key = key
        super().__init__(text)


def read_settings(form: type[SettingsT], given: Mapping[str, Any], where: str = "") -> SettingsT:
    """Fill a dataclass from a node's settings.

    Nested dataclasses are the business of the form's ``__post_init__``. Raises SettingsError for
    an unknown or a missing key, naming the nearest valid one, and for a value of a wrong type.
    """
    fields = {entry.name: entry for entry in dataclasses.fields(form)}  # type: ignore[arg-type]
    for key in given:
        if key not in fields:
            near = get_close_matches(key, sorted(fields), n=1)
            hint = f" (did you mean '{near[0]}'?)" if near else ""
            text = f"unknown setting '{key}'; expected one of: {', '.join(sorted(fields))}{hint}"
            raise SettingsError(where + key, text)
    for key, entry in fields.items():
        bare = entry.default is dataclasses.MISSING
        if key not in given and bare and entry.default_factory is dataclasses.MISSING:
            raise SettingsError(where + key, f"the setting '{key}' is missing")
    try:
        return form(**given)
    except SettingsError as error:
        raise SettingsError(where + error.key, str(error)) from None
    except (TypeError, ValueError) as error:
        raise SettingsError(where.rstrip("."), str(error)) from None
