"""The control node: reads the driver's switches and asks the other nodes for what they mean.

It never guesses. After a start it waits until its switches have settled before it sends anything:
a message full of zeros would switch off the lamps of a moving car.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from linkloss_nodes.api import MS, Board, read_settings
from linkloss_nodes.condition import Value
from linkloss_nodes.debounce import Debouncer
from linkloss_nodes.feeds import flash_time
from linkloss_nodes.fields import split_signal
from linkloss_nodes.flasher import FlashSettings, FlashTime
from linkloss_nodes.request import read_requests
from linkloss_nodes.requests import Requests
from linkloss_nodes.transmit import Outgoing
from linkloss_nodes.unit import Unit, check_number, read_status
from linkloss_nodes.watch import LostNodes, PassedOn, StuckInputs, read_stuck


@dataclass(frozen=True)
class ControlSettings:
    """The settings of a control node, times in ms.

    ``requests`` as in ``RequestSettings``, by ``Message.Signal``. ``status`` is the message that is
    the node's heartbeat; ``lost``, ``lost_any`` and ``stuck`` name signals in it. ``lost`` maps
    status messages of other nodes to the signal that tells of their loss after ``lost_after_ms``.
    ``sensors`` maps an input to the ``Message.Signal`` that carries its value,
    in the same unit. ``passed_on`` maps signals of such a message (``Message.Signal``) to the one
    by which the driver is told of them. ``stale_after_ms`` says for each message by which requests
    are decided how long it counts. Changes are sent at once, but ``min_gap_ms`` after the last
    message at the earliest.
    """

    requests: Mapping[str, Any]
    status: Any
    sensors: Mapping[str, str] = field(default_factory=dict)
    watchdog_ms: int = 200
    debounce_ms: float = 20
    min_gap_ms: float = 10
    stale_after_ms: Mapping[str, int] = field(default_factory=dict)
    flash: Any = field(default_factory=dict)
    lost: Mapping[str, str] = field(default_factory=dict)
    lost_any: str | None = None
    lost_after_ms: int = 500
    stuck: Mapping[str, Any] = field(default_factory=dict)
    passed_on: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "requests", read_requests(self.requests))
        object.__setattr__(self, "status", read_status(self.status))
        object.__setattr__(self, "flash", read_settings(FlashSettings, self.flash, "flash."))
        object.__setattr__(self, "stuck", read_stuck(self.stuck))
        for reference in (*self.sensors.values(), *self.passed_on):
            split_signal(reference)
        check_number("watchdog_ms", self.watchdog_ms, 1)
        check_number("debounce_ms", self.debounce_ms, 0)
        check_number("min_gap_ms", self.min_gap_ms, 0)
        check_number("lost_after_ms", self.lost_after_ms, 1)


class ControlNode(Unit):
    """A control node's program."""

    def __init__(self, board: Board) -> None:
        settings = self.check_settings(board.settings)
        super().__init__(board, min_gap_ms=settings.min_gap_ms, watchdog_ms=settings.watchdog_ms)
        self._requests = Requests(
            board, self.sender, self.receiver, settings.requests, settings.stale_after_ms
        )
        status = self.sender.message(settings.status.message)
        self.prepare_status(settings.status)
        LostNodes(self.receiver, status, settings.lost, settings.lost_any, settings.lost_after_ms)
        PassedOn(self.receiver, status, settings.passed_on, settings.lost_after_ms)
        self._stuck = StuckInputs(board, status, settings.stuck)
        for name, reference in settings.sensors.items():
            self._prepare_sensor(name, reference)
        self._prepare_time(settings.flash)
        names = [*self._requests.inputs, *settings.stuck]
        self._inputs = Debouncer(board, names, settings.debounce_ms, self._changed, self._ready)

    @staticmethod
    def check_settings(settings: Mapping[str, Any]) -> ControlSettings:
        """Read the settings. Raises SettingsError."""
        return read_settings(ControlSettings, settings)

    def start(self) -> None:
        """Begin to read the switches and to listen; sending begins when the switches are known."""
        self.start_watchdog()
        self.receiver.start()
        self._inputs.start()

    def on_input(self, name: str, value: Value) -> None:
        """A switch has moved."""
        self._inputs.on_input(name, value)

    def look(self) -> None:
        """Read the switches again."""
        self._inputs.look()

    def _ready(self) -> None:
        for name, value in self._inputs.values.items():
            self._stuck.changed(name, value)
        self._requests.begin(self._inputs)
        self.sender.start()

    def _changed(self, name: str, value: Value) -> None:
        self._stuck.changed(name, value)
        self._requests.changed(name, value)

    def _prepare_sensor(self, name: str, reference: str) -> None:
        """What is measured goes out with every message; it is not worth an extra one."""
        message, signal = split_signal(reference)
        outgoing = self.sender.message(message)
        outgoing.field(signal)
        outgoing.before_sending.append(
            lambda: outgoing.set(signal, float(self.board.read(name)), urgent=False)
        )

    def _prepare_time(self, flash: FlashSettings) -> None:
        """Tell with every message of the flashing lamps where the flash cycle stands."""
        time = flash_time(self.board, flash)
        if time is None or flash.time is None:
            return
        message, signal = split_signal(flash.time)
        outgoing = self.sender.message(message)
        cycle_ns = flash.cycle_ms * MS
        outgoing.before_sending.append(lambda: self._put_time(outgoing, signal, time, cycle_ns))

    def _put_time(self, outgoing: Outgoing, signal: str, time: FlashTime, cycle_ns: int) -> None:
        since_ns = self._requests.flashing_since_ns
        elapsed_ns = None if since_ns is None else (self.board.now_ns() - since_ns) % cycle_ns
        outgoing.set(signal, time.encode(elapsed_ns), urgent=False)
