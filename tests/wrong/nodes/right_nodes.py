"""Nodes that are right, each in its own way. A bench that calls one of them broken is wrong."""

from __future__ import annotations

import asyncio

import can
from base_dash import HomeDash
from base_link import Heard
from base_power import HomeFront, HomeRear, Load


class PatientRear(HomeRear):
    """Trusts a link again only after three good messages in a row."""

    def set_up(self) -> None:
        self.streak: dict[int, tuple[int, int]] = {}
        super().set_up()

    def take(self, heard: Heard, frame: can.Message) -> None:
        if not heard.fresh(self.now_ms):
            last_ms, good = self.streak.get(heard.identifier, (0, 0))
            good = good + 1 if self.now_ms - last_ms <= heard.stale_ms else 1
            self.streak[heard.identifier] = (self.now_ms, good)
            if good < 3:
                return
            self.streak.pop(heard.identifier)
        super().take(heard, frame)


class LeisurelyRear(HomeRear):
    """A round every 10 ms, and milliseconds that are cut off."""

    LOOP_MS = 10


class EventRear(HomeRear):
    """Its own switches act by interrupt, beside the loop, and are looked at again now and then."""

    def set_up(self) -> None:
        self.wired = {name: load for name, load in self.LOADS.items() if load.local is not None}
        self.pressed: dict[str, bool] = {}
        self.rounds = 0
        self.look()
        super().set_up()

    def look(self) -> None:
        """Read all switches."""
        for name, load in self.wired.items():
            self.pressed[name] = load.local is not None and load.local(self.board)

    def on_input(self, name: str, value: str | float) -> None:
        self.look()
        super().work()

    def work(self) -> None:
        self.rounds += 1
        if self.rounds % 20 == 0:
            self.look()
        super().work()

    def wanted(self, load: Load) -> float:
        asked = self.asked(load) if load.message else 0.0
        own = any(self.pressed[name] for name, other in self.wired.items() if other is load)
        return max(asked, float(own))


class TwoMailboxDash(HomeDash):
    """Runs on a controller with two transmit mailboxes, first in, first out."""


class CoroutineFront(HomeFront):
    """One endless coroutine instead of a timer."""

    def start(self) -> None:
        self.off_since = self.full_since = None
        self.set_up()
        self.start_watchdog()

    async def run(self) -> None:
        """Round after round."""
        while True:
            self.loop()
            await asyncio.sleep(self.LOOP_MS / 1000)
