"""Nodes that treat their supply, or what their outputs tell them, wrongly."""

from __future__ import annotations

from math import inf

from base_power import HomeFront, HomeRear

from linkloss_nodes import MS
from linkloss_nodes.current import CurrentWatch
from linkloss_nodes.power import PowerNode


class ShedsWithoutHysteresis(HomeFront):
    """Saves the battery: no dipped beam under 11 V, on again over 11 V."""

    def set_output(self, name: str, level: float) -> None:
        weak = name.startswith("low_beam") and self.board.supply_volts() < 11.0
        super().set_output(name, 0.0 if weak else level)


class RestartsAtLowVoltage(HomeRear):
    """Rather begins anew than to run on with a low supply."""

    def loop(self) -> None:
        if self.board.supply_volts() < 10.0 and self.now_ms > 200:
            self.board.restart()
        super().loop()


class WaitsForTheBattery(HomeFront):
    """Begins to work once the battery has recovered, or after two seconds."""

    def set_up(self) -> None:
        self.began_ms = self.now_ms
        self.low = self.board.supply_volts() < 12.0
        super().set_up()

    def set_output(self, name: str, level: float) -> None:
        waits = self.low and self.now_ms - self.began_ms < 2000
        super().set_output(name, 0.0 if waits else level)


class FollowsEdgesOnly(HomeRear):
    """The brake lamps are switched when the pedal moves, and at no other time."""

    def set_up(self) -> None:
        self.braking = 0.0
        super().set_up()

    def on_input(self, name: str, value: str | float) -> None:
        if name == "brake_pedal":
            self.braking = float(value == "pressed")

    def set_output(self, name: str, level: float) -> None:
        super().set_output(name, self.braking if name == "brake_lamps" else level)


class NeverTells(PowerNode):
    """The currents are measured, and nobody looks at them."""

    def prepare_status(self, settings):
        self.load_failed = lambda: False
        super().prepare_status(settings)


class WatchesOneFeed(PowerNode):
    """One current sensor, in the feed of the left dipped beam."""

    def prepare_status(self, settings):
        feeds = [feed for feed in self._feeds.feeds if feed.pin == "low_beam_left"]
        self.load_failed = CurrentWatch(self.board, feeds).failed
        super().prepare_status(settings)


class TellsTooSoon(PowerNode):
    """Takes the lower current at a lower voltage for a failure."""

    def prepare_status(self, settings):
        self.load_failed = self.too_little
        super().prepare_status(settings)

    def too_little(self) -> bool:
        amps = self.board.current("low_beam_left")
        return 0.1 < amps < 4.4


class TellsTooFast(PowerNode):
    """Takes the time that the relay of the horn needs to close for a failure."""

    TOLD = 600 * MS

    def prepare_status(self, settings):
        self.told_until = 0
        self.load_failed = lambda: self.board.now_ns() < self.told_until
        super().prepare_status(settings)

    def start(self) -> None:
        super().start()
        self.board.every(2 * MS, self.watch)

    def watch(self) -> None:
        horn = next(feed for feed in self._feeds.feeds if feed.pin == "horn")
        if horn.level and self.board.current("horn") < 0.1:
            self.told_until = self.board.now_ns() + self.TOLD


class GivesUpAFailedLoad(HomeFront):
    """A load without a current is switched off, until the next start of the program."""

    def set_up(self) -> None:
        self.given_up: set[str] = set()
        self.on_since: dict[str, float] = {}
        super().set_up()

    def set_output(self, name: str, level: float) -> None:
        on_ms = self.now_ms - self.on_since.get(name, inf)
        if level and on_ms > 100 and self.board.current(name) < 0.1:
            self.given_up.add(name)
        if not level or name not in self.on_since:
            self.on_since[name] = self.now_ms
        super().set_output(name, 0.0 if name in self.given_up else level)


class GoesDownWithItsLoad(HomeRear):
    """One shorted lamp, and everything is switched off for half a second."""

    REST_MS = 500

    def set_up(self) -> None:
        self.resting_ms = 0
        self.board.every(MS, self.watch)
        super().set_up()

    def watch(self) -> None:
        """Fast, for a short is."""
        if any(self.board.current(name) > 8 for name in ("tail_left", "tail_right")):
            self.resting_ms = self.now_ms + self.REST_MS
            for name in self.LOADS:
                self.set_output(name, 0.0)

    def set_output(self, name: str, level: float) -> None:
        super().set_output(name, 0.0 if self.now_ms < self.resting_ms else level)
