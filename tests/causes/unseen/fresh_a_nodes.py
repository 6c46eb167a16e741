"""Fresh homemade nodes in Python with one mistake each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import can
from base_dash import DEBOUNCE_MS, STATUS, SWITCHES, HomeDash
from base_engine import HomeEngine
from base_link import Heard
from base_power import HomeFront, HomeRear, Load

from linkloss_nodes.gauge import GaugeNode
from linkloss_nodes.power import PowerSettings

# ------------------------------------------------------------------------------ the dash


class SocketOnOnePosition(HomeDash):
    """The socket has power in the position of its name, and not with the ignition on."""

    def body(self) -> None:
        p = self.pressed
        key = p["ignition"] == "on"
        self.out["BodyRequest"].set(
            Horn=p["horn_button"] == "pressed",
            Wiper=p["wiper_switch"] != "off" and key,
            WiperFast=p["wiper_switch"] == "fast" and key,
            InteriorLamp=self.trail("door", p["door"] == "open", 1500),
            Accessory=p["ignition"] == "accessory",
        )


class ReadsInTurn(HomeDash):
    """One switch in every third round: after thirty rounds the first has its turn again."""

    turn = 0

    def debounce(self) -> None:
        self.turn += 1
        if self.turn % 3:
            return
        name = SWITCHES[self.turn // 3 % len(SWITCHES)]
        value = self.board.read(name)
        if value != self.raw[name]:
            self.raw[name], self.moved_ms[name] = value, self.now_ms
        elif self.now_ms - self.moved_ms[name] >= DEBOUNCE_MS:
            self.pressed[name] = value


class TellsForAMoment(HomeDash):
    """A node that is missing is told for a moment; after that the driver knows it."""

    def notices(self) -> None:
        now_ms, lost = self.now_ms, {}
        for status, signal in STATUS.items():
            since_ms = max(self.heard[status].at_ms, self.began_ms)
            lost[signal] = 500 < now_ms - since_ms <= 550
        down = self.pressed["horn_button"] == "pressed"
        stuck = down and now_ms - self.moved_ms["horn_button"] > 3000
        self.out["DashNotices"].set(**lost, HornStuck=stuck, LinkWarning=any(lost.values()))


# ---------------------------------------------------------------------------- the engine


class AveragesTheHeat(HomeEngine):
    """A sensor that is noisy: each reading moves what counts by a two-hundredth."""

    heat: float | None = None

    def measure(self) -> None:
        reading = float(self.board.read("coolant_temperature"))
        heat = reading if self.heat is None else self.heat + (reading - self.heat) / 200
        self.heat = heat
        self.running = self.speed > 500 or (self.running and self.speed >= 400)
        self.hot = heat > 112 or (self.hot and heat >= 105)
        self.fan = heat > 95 or (self.fan and heat >= 90)
        self.out["EngineData"].set(Running=self.running, Overheat=self.hot)
        self.out["EngineData"].values.update(Speed=self.speed, CoolantTemperature=heat)
        self.out["EngineRequest"].set(CoolingFan=self.fan and self.key_on, FuelPump=self.pump())


class RestartsWithTheKey(HomeEngine):
    """A clean beginning whenever the key is turned on."""

    was_on = True

    def work(self) -> None:
        key = self.key_on
        if key and not self.was_on:
            self.board.restart()
            return
        self.was_on = key
        super().work()


# ----------------------------------------------------------------------------- the front


class WipesWhenAlone(HomeFront):
    """A wiper that stands still in rain is worse than one that squeaks: in doubt it wipes."""

    def on_its_own(self, load: Load) -> float:
        return 1.0 if load.signal == "Wiper" else super().on_its_own(load)


# ----------------------------------------------------------------------------- the gauge


class PanelAtFull(GaugeNode):
    """The lighting of the dials is on or off; nobody reads the level beside it."""

    @staticmethod
    def check_settings(settings: Mapping[str, Any]) -> PowerSettings:
        lamps = dict(settings["tell_tales"])
        lamps["panel_lamp"] = {k: v for k, v in lamps["panel_lamp"].items() if k != "level"}
        return GaugeNode.check_settings({**settings, "tell_tales": lamps})


# ------------------------------------------------------------------------------ the rear


class WaitsForTheNextCount(HomeRear):
    """Only the count that comes next is good, and behind a gap that is long past."""

    def counts_on(self, heard: Heard, frame: can.Message) -> bool:
        if heard.values is None:
            return True
        return frame.data[1] & 0x0F == (heard.count + 1) % 16
