"""Homemade nodes in Python with one mistake each, as they come about late at night."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import ClassVar

import can
from base_dash import STATUS, HomeDash
from base_engine import HomeEngine
from base_link import Heard, Outgoing
from base_power import BODY, LAMP, RIGHT, HomeFront, HomeRear, Load

from linkloss_nodes import Board
from linkloss_nodes.power import PowerNode
from linkloss_nodes.sleep import Sleeper


class CopiedIndicator(HomeFront):
    """The line of the right indicator, copied for the left one, and only the pin altered."""

    LOADS: ClassVar[Mapping[str, Load]] = {**HomeFront.LOADS, "indicator_front_left": RIGHT}


class OneCounterForAll(HomeDash):
    """All messages share one sequence counter."""

    def set_up(self) -> None:
        super().set_up()
        self.count = 0

    def send(self, out: Outgoing) -> bool:
        out.count = self.count
        sent = super().send(out)
        self.count = (self.count + sent) % 16
        return sent


class NeverReleases(HomeRear):
    """The lock of the receive buffer stays taken when a frame turns out to be of no use."""

    def set_up(self) -> None:
        self.taken = False
        super().set_up()

    def poll(self) -> None:
        if self.taken:
            return
        self.taken = True
        while (frame := self.board.bus.recv(0)) is not None:
            if frame.is_remote_frame:
                return
            self.on_arrival(frame)
        self.taken = False


class RoundsForDebouncing(HomeDash):
    """A switch counts after 20 rounds of the loop, which were meant to be ms."""

    def set_up(self) -> None:
        super().set_up()
        self.rounds = dict.fromkeys(self.raw, 0)

    def debounce(self) -> None:
        for name in self.raw:
            value = self.board.read(name)
            self.rounds[name] = self.rounds[name] + 1 if value == self.raw[name] else 0
            if value != self.raw[name]:
                self.raw[name], self.moved_ms[name] = value, self.now_ms
            if self.rounds[name] >= 20:
                self.pressed[name] = value


class MicrosecondsOfSilence(HomeRear):
    """The time-out stands in microseconds, the clock in milliseconds."""

    LISTENS: ClassVar[Mapping[str, int]] = {**HomeRear.LISTENS, LAMP: 250_000}


class HoldsForEver(HomeRear):
    """The lamp in the load bay holds its state, and nobody has written for how long."""

    LOADS: ClassVar[Mapping[str, Load]] = {
        **HomeRear.LOADS,
        "interior_lamp": Load(BODY, "InteriorLamp", stale=None, fade_ms=400),
    }


class Fahrenheit(HomeEngine):
    """The library of the sensor came from elsewhere."""

    def measure(self) -> None:
        super().measure()
        values = self.out["EngineData"].values
        values["CoolantTemperature"] = min(215.0, values["CoolantTemperature"] * 9 / 5 + 32)


class FillsOnce(HomeDash):
    """The payload is filled in at the start; later only the counter is written into it."""

    filled = False

    def body(self) -> None:
        if not self.filled:
            super().body()
        self.filled = True


class LostForEver(HomeDash):
    """A node that was lost once counts as lost until the key is turned."""

    def set_up(self) -> None:
        super().set_up()
        self.lost: set[str] = set()

    def notices(self) -> None:
        lost = self.out["DashNotices"].values
        self.lost |= {status for status, signal in STATUS.items() if lost[signal]}
        for status in self.lost:
            self.heard[status].at_ms = self.began_ms = -1000
        super().notices()


class SleepsLate(PowerNode):
    """Eight seconds for eight tenths of one."""

    def __init__(self, board: Board) -> None:
        super().__init__(board)
        settings = self.check_settings(board.settings).sleep
        assert settings is not None
        late = replace(settings, after_ms=10 * settings.after_ms)
        self._sleeper = Sleeper(board, self.sender, late, self.fall_asleep)


class AccessoryWithTheKeyOn(HomeDash):
    """The socket is asked for with the key at on, and not at accessory as well."""

    def body(self) -> None:
        p = self.pressed
        key = p["ignition"] == "on"
        self.out["BodyRequest"].set(
            Horn=p["horn_button"] == "pressed",
            Wiper=p["wiper_switch"] != "off" and key,
            WiperFast=p["wiper_switch"] == "fast" and key,
            InteriorLamp=self.trail("door", p["door"] == "open", 1500),
            Accessory=key,
        )


class NoRestForTheStarter(HomeEngine):
    """The pinion is not given the time to come to rest."""

    REST_MS = 0


class DistrustsForEver(HomeRear):
    """One wrong checksum, and no message is good any more."""

    spoilt = False

    def is_intact(self, heard: Heard, frame: can.Message) -> bool:
        good = super().is_intact(heard, frame)
        self.spoilt = self.spoilt or not good
        return good and not self.spoilt
