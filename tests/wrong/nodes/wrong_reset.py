"""Nodes that begin wrongly, or do not begin again when they should."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from base_dash import SWITCHES, HomeDash
from base_engine import HomeEngine
from base_power import HomeFront, HomeRear, Load

from linkloss_nodes import MS


class PinsHighAtBoot(HomeEngine):
    """The pins are set up as outputs before their levels are."""

    def set_up(self) -> None:
        for name in ("starter", "ignition_feed"):
            self.board.write(name, 1.0)
        self.board.after(8 * MS, super().set_up)

    def loop(self) -> None:
        if hasattr(self, "armed"):
            super().loop()


class ResetDropsAll(HomeFront):
    """Everything is off after a reset, headlamps too."""

    LOADS: ClassVar[Mapping[str, Load]] = {
        name: load._replace(reset=0.0) for name, load in HomeFront.LOADS.items()
    }


class RestoresStarter(HomeEngine):
    """Goes on after a reset where it was before: it was cranking."""

    def set_up(self) -> None:
        super().set_up()
        self.armed = True
        self.board.write("starter", self.board.memory.get("starter", 0.0))

    def may_crank(self) -> bool:
        heard = self.heard["StartRequest"]
        if heard.values is None:
            return bool(self.board.memory.get("starter", 0.0))
        on = super().may_crank()
        self.board.memory["starter"] = 1.0 if on else 0.0
        return on


class NoWatchdog(HomeRear):
    """It never hangs, says its author."""

    def start_watchdog(self) -> None:
        """Not needed."""


class FeedsFromInterrupt(HomeRear):
    """The watchdog is fed by a timer's interrupt, which goes on when the loop hangs."""

    def start_watchdog(self) -> None:
        super().start_watchdog()
        self.board.every(50 * MS, self.board.feed_watchdog, interrupt=True)


class BitesItself(HomeRear):
    """The watchdog is quicker than the loop."""

    WATCHDOG_MS = 4


class GuessesForHalfASecond(HomeDash):
    """Sends at once, and reads the switches when the start-up screen has gone."""

    SCREEN_MS = 500

    def knows_switches(self) -> bool:
        return True

    def debounce(self) -> None:
        if self.now_ms - self.began_ms >= self.SCREEN_MS:
            super().debounce()
        for name in SWITCHES:
            rest = {"door": "closed"}.get(name, "off")
            self.pressed.setdefault(name, rest)
