"""When a node goes to sleep: once a condition over its own inputs has held for a while."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from linkloss_nodes.api import MS, Board, Timer
from linkloss_nodes.condition import parse_condition
from linkloss_nodes.transmit import Sender
from linkloss_nodes.unit import check_number

QUIET_NS = 10 * MS
"""What was handed to the controller so long ago is sent, if it can be sent at all."""


@dataclass(frozen=True)
class SleepSettings:
    """``when`` this has held for ``after_ms`` the node goes to sleep; each input in it wakes it."""

    when: str
    after_ms: float = 1000

    def __post_init__(self) -> None:
        parse_condition(self.when, "when")
        check_number("after_ms", self.after_ms, 0)


class Sleeper:
    """Calls ``fall_asleep`` when it is time; ``wakers`` are the inputs that end the sleep."""

    def __init__(
        self,
        board: Board,
        sender: Sender,
        settings: SleepSettings,
        fall_asleep: Callable[[], object],
    ) -> None:
        self._board = board
        self._sender = sender
        self._when = parse_condition(settings.when)
        self.wakers = self._when.names
        self._after_ns = round(settings.after_ms * MS)
        self._fall_asleep = fall_asleep
        self._timer: Timer | None = None

    def look(self) -> None:
        """Look at the inputs: the time begins to run, or runs no longer."""
        if not self._may_sleep():
            self._stop()
        elif self._timer is None:
            self._timer = self._board.after(self._after_ns, self._due)

    def _may_sleep(self) -> bool:
        return self._when.holds({name: self._board.read(name) for name in self.wakers})

    def _stop(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _due(self) -> None:
        """The inputs are read last thing before: no edge is lost between look and sleep."""
        self._timer = None
        wait_ns = self._sender.handed_ns + QUIET_NS - self._board.now_ns()
        if wait_ns > 0:
            self._timer = self._board.after(wait_ns, self._due)
        elif self._may_sleep():
            self._fall_asleep()
