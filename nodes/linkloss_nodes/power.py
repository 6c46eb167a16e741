"""The power node: switches fused feeds as others ask, and knows what to do when nobody does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from linkloss_nodes.api import Board, read_settings
from linkloss_nodes.condition import Value
from linkloss_nodes.current import CurrentWatch
from linkloss_nodes.feed import read_feeds
from linkloss_nodes.feeds import Feeds
from linkloss_nodes.flasher import FlashSettings
from linkloss_nodes.sleep import Sleeper, SleepSettings
from linkloss_nodes.unit import Unit, check_number, read_status


@dataclass(frozen=True)
class PowerSettings:
    """The settings of a power node, times in ms: ``outputs`` as in ``FeedSettings``, by name;
    ``sleep`` as in ``SleepSettings``, for a node that sleeps.
    """

    outputs: Mapping[str, Any]
    status: Any
    watchdog_ms: int = 200
    min_gap_ms: float = 10
    flash: Any = field(default_factory=dict)
    sleep: Any = None

    def __post_init__(self) -> None:
        if self.sleep is not None:
            object.__setattr__(self, "sleep", read_settings(SleepSettings, self.sleep, "sleep."))
        object.__setattr__(self, "outputs", read_feeds(self.outputs))
        object.__setattr__(self, "status", read_status(self.status))
        object.__setattr__(self, "flash", read_settings(FlashSettings, self.flash, "flash."))
        check_number("watchdog_ms", self.watchdog_ms, 1)
        check_number("min_gap_ms", self.min_gap_ms, 0)


class PowerNode(Unit):
    """A power node's program."""

    def __init__(self, board: Board) -> None:
        settings = self.check_settings(board.settings)
        super().__init__(board, min_gap_ms=settings.min_gap_ms, watchdog_ms=settings.watchdog_ms)
        self._feeds = Feeds(board, self.receiver, settings.outputs, settings.flash)
        self.load_failed = CurrentWatch(board, self._feeds.feeds).failed
        self.prepare_status(settings.status)
        self._sleeper: Sleeper | None = None
        if settings.sleep is not None:
            self._sleeper = Sleeper(board, self.sender, settings.sleep, self.fall_asleep)

    @staticmethod
    def check_settings(settings: Mapping[str, Any]) -> PowerSettings:
        """Read the settings. Raises SettingsError."""
        return read_settings(PowerSettings, settings)

    def start(self) -> None:
        """Set the pins first, then join the bus."""
        self._feeds.start()
        self.start_watchdog()
        self.receiver.start()
        self.sender.start()
        self._look_for_sleep()

    def on_input(self, name: str, value: Value) -> None:
        """A switch that is wired to this node has moved."""
        self._feeds.on_input(name, value)
        self._look_for_sleep()

    def look(self) -> None:
        """Read the switches again."""
        self._feeds.look()
        self._look_for_sleep()

    def fall_asleep(self) -> None:
        """Put the board to sleep, dark: what is on by then stays on."""
        assert self._sleeper is not None
        self._feeds.rest()
        self.board.sleep(self._sleeper.wakers)

    def _look_for_sleep(self) -> None:
        if self._sleeper is not None:
            self._sleeper.look()
