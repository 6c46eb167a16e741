"""The engine node: measures the engine, asks for fan and fuel pump, switches the starter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from linkloss_nodes.api import Board, read_settings
from linkloss_nodes.condition import Value
from linkloss_nodes.current import CurrentWatch
from linkloss_nodes.debounce import Debouncer
from linkloss_nodes.feed import read_feeds
from linkloss_nodes.feeds import Feeds
from linkloss_nodes.fields import split_signal
from linkloss_nodes.flasher import FlashSettings
from linkloss_nodes.request import read_requests
from linkloss_nodes.requests import Requests
from linkloss_nodes.transmit import Outgoing
from linkloss_nodes.unit import Unit, check_number, read_status


@dataclass(frozen=True)
class EngineSettings:
    """The settings of an engine node, times in ms.

    ``sensors`` maps an input to the ``Message.Signal`` that carries its value, in the same unit.
    ``requests`` as in ``RequestSettings``, ``outputs`` as in ``FeedSettings``.
    """

    status: Any
    sensors: Mapping[str, str] = field(default_factory=dict)
    requests: Mapping[str, Any] = field(default_factory=dict)
    outputs: Mapping[str, Any] = field(default_factory=dict)
    stale_after_ms: Mapping[str, int] = field(default_factory=dict)
    watchdog_ms: int = 200
    debounce_ms: float = 0
    min_gap_ms: float = 10

    def __post_init__(self) -> None:
        object.__setattr__(self, "requests", read_requests(self.requests))
        object.__setattr__(self, "outputs", read_feeds(self.outputs))
        object.__setattr__(self, "status", read_status(self.status))
        for reference in self.sensors.values():
            split_signal(reference)
        check_number("watchdog_ms", self.watchdog_ms, 1)
        check_number("debounce_ms", self.debounce_ms, 0)
        check_number("min_gap_ms", self.min_gap_ms, 0)


class EngineNode(Unit):
    """An engine node's program."""

    def __init__(self, board: Board) -> None:
        settings = self.check_settings(board.settings)
        super().__init__(board, min_gap_ms=settings.min_gap_ms, watchdog_ms=settings.watchdog_ms)
        self._requests = Requests(
            board, self.sender, self.receiver, settings.requests, settings.stale_after_ms
        )
        self._feeds = Feeds(board, self.receiver, settings.outputs, FlashSettings())
        self._sensors: dict[str, tuple[Outgoing, str]] = {}
        for name, reference in settings.sensors.items():
            message, signal = split_signal(reference)
            self._sensors[name] = (self.sender.message(message), signal)
            self._sensors[name][0].field(signal)
        self.load_failed = CurrentWatch(board, self._feeds.feeds).failed
        self.prepare_status(settings.status)
        self._inputs = Debouncer(
            board,
            self._requests.inputs,
            settings.debounce_ms,
            self._requests.changed,
            self._ready,
        )

    @staticmethod
    def check_settings(settings: Mapping[str, Any]) -> EngineSettings:
        """Read the settings. Raises SettingsError."""
        return read_settings(EngineSettings, settings)

    def start(self) -> None:
        """Set the pins first, then measure, then join the bus."""
        self._feeds.start()
        self.start_watchdog()
        self.receiver.start()
        for name in self._sensors:
            self._measure(name, self.board.read(name))
        self._inputs.start()

    def on_input(self, name: str, value: Value) -> None:
        """A sensor or a switch has a new value."""
        self._measure(name, value)
        self._feeds.on_input(name, value)
        self._inputs.on_input(name, value)

    def look(self) -> None:
        """Measure again, read the switches again."""
        for name in self._sensors:
            self._measure(name, self.board.read(name))
        self._feeds.look()
        self._inputs.look()

    def _ready(self) -> None:
        self._requests.begin(self._inputs)
        self.sender.start()

    def _measure(self, name: str, value: Value) -> None:
        """What is measured goes out with the next message; only a request is worth an extra one."""
        if name in self._sensors:
            outgoing, signal = self._sensors[name]
            outgoing.set(signal, float(value), urgent=False)
