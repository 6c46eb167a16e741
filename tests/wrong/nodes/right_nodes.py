"""Nodes that are right, each in its own way. A bench that calls one of them broken is wrong."""

from __future__ import annotations

import asyncio
import contextlib

import can
from base_dash import HomeDash
from base_engine import HomeEngine
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


class LeisurelyDash(HomeDash):
    """Nothing goes out early but what news brings, and everything as late as may be: a period of
    70 ms where 50 are declared.
    """

    def set_up(self) -> None:
        super().set_up()
        for out in self.out.values():
            out.period_ms = out.period_ms * 14 // 10


class TalkativeRear(HomeRear):
    """Tells its maker's tool how it is, by an identifier of its own."""

    def loop(self) -> None:
        super().loop()
        if self.now_ms % 200 < self.LOOP_MS:
            told = can.Message(arbitration_id=0x7E8, is_extended_id=False, data=[self.heard_of()])
            with contextlib.suppress(can.CanOperationError):
                self.board.bus.send(told)

    def heard_of(self) -> int:
        """How many messages it hears at present."""
        return sum(heard.fresh(self.now_ms) for heard in self.heard.values())


class SteadyEngine(HomeEngine):
    """Its sensors go through a filter of first order; outputs and requests do not wait for it."""

    def set_up(self) -> None:
        self.smooth: dict[str, float] = {}
        super().set_up()

    def measure(self) -> None:
        super().measure()
        values = self.out["EngineData"].values
        for name in ("Speed", "CoolantTemperature"):
            old = self.smooth.get(name, values[name])
            self.smooth[name] = values[name] = old + (values[name] - old) / 4


class HastyRear(HomeRear):
    """Bus-off for 15 ms only the first time, then for longer and longer, up to half a second."""

    def set_up(self) -> None:
        self.turns, self.back_ms = 0, 0
        super().set_up()

    def look_after_bus(self) -> None:
        if self.board.bus.state != can.BusState.ERROR:
            self.off_since = None
            if self.now_ms - self.back_ms > 2000:
                self.turns = 0
        elif self.off_since is None:
            self.off_since = self.now_ms
        elif self.now_ms - self.off_since >= min(15 << self.turns, 500):
            self.turns, self.back_ms, self.off_since = self.turns + 1, self.now_ms, None
            self.recover()
