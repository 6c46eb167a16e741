"""What every unit has, whatever its work: a watchdog, a heartbeat, and its way to the bus."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import can

from linkloss_nodes.api import MS, Board, Node, S, SettingsError, read_settings
from linkloss_nodes.receive import Receiver
from linkloss_nodes.transmit import Sender


@dataclass(frozen=True)
class StatusSettings:
    """The heartbeat: its message, and the signals in it for what the node knows about itself."""

    message: str
    link_lost: str | None = None
    came_back: str | None = None
    supply_volts: str | None = None
    running_for_s: str | None = None
    load_failed: str | None = None


def read_status(given: object) -> StatusSettings:
    """The setting ``status``: a message's name, or a table. Raises SettingsError."""
    if isinstance(given, str):
        return StatusSettings(given)
    if not isinstance(given, Mapping):
        raise SettingsError("status", f"got {given!r}; expected a message's name or a table")
    return read_settings(StatusSettings, given, "status.")


class Unit(Node):
    """A node with a sender, a receiver, a status message and a watchdog."""

    def __init__(self, board: Board, *, min_gap_ms: float, watchdog_ms: int) -> None:
        super().__init__(board)
        self.sender = Sender(board, round(min_gap_ms * MS))
        self.sender.on_late = self.look
        self.receiver = Receiver(board)
        self._watchdog_ns = watchdog_ms * MS
        self._started_ns = board.now_ns()
        self.load_failed: Callable[[], float] = lambda: False

    def start_watchdog(self) -> None:
        """Start the watchdog. The main program feeds it and no interrupt, which would go on
        feeding while the program hangs.
        """
        self.board.start_watchdog(self._watchdog_ns)
        self.board.every(self._watchdog_ns // 2, self._round)

    def look(self) -> None:
        """Read all inputs again: a program that was stuck for a moment has missed their edges."""

    def _round(self) -> None:
        self.board.feed_watchdog()
        self.look()

    def prepare_status(self, settings: StatusSettings) -> None:
        """Send the heartbeat, with what is known at each sending. Raises SettingsError."""
        outgoing = self.sender.message(settings.message)
        sources: list[tuple[str | None, Callable[[], float]]] = [
            (settings.link_lost, lambda: not self.receiver.all_fresh),
            (settings.came_back, lambda: self.sender.came_back),
            (settings.supply_volts, self.board.supply_volts),
            (settings.running_for_s, lambda: (self.board.now_ns() - self._started_ns) // S),
            (settings.load_failed, self.load_failed),
        ]
        known = [(signal, source) for signal, source in sources if signal is not None]
        for signal, _ in known:
            outgoing.field(signal)

        def refresh() -> None:
            for signal, source in known:
                outgoing.set(signal, source(), urgent=False)

        if known:
            outgoing.before_sending.append(refresh)

    def on_frame(self, message: can.Message) -> None:
        """A frame came in."""
        self.receiver.on_frame(message)


def check_number(key: str, value: Any, least: float) -> None:
    """Raises SettingsError unless a setting is a number and not below ``least``."""
    if isinstance(value, bool) or not isinstance(value, int | float) or value < least:
        raise SettingsError(key, f"got {value!r}; expected a number of at least {least:g}")
