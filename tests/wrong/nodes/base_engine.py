"""A homemade engine node: measures, asks for fan and pump, switches starter and ignition."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from base_link import HomeNode

START = "StartRequest"


class HomeEngine(HomeNode):
    """The engine node of the van."""

    LISTENS: ClassVar[Mapping[str, int]] = {START: 160}
    REST_MS = 502
    """So long the pinion takes to come to rest."""
    SENDS = ("EngineData", "EngineRequest", "EngineStatus")

    def set_up(self) -> None:
        """All pins off but the ignition, which the key has switched."""
        self.armed = False
        self.running = self.hot = self.fan = False
        self.primed_ms: int | None = None
        self.cranks = False
        self.rests_until_ms = 0
        self.outputs()
        self.measure()

    def work(self) -> None:
        """One round."""
        self.outputs()
        self.measure()

    @property
    def key_on(self) -> bool:
        """The ignition switch."""
        return self.board.read("ignition") == "on"

    @property
    def speed(self) -> float:
        """Of the crankshaft, per minute."""
        return float(self.board.read("engine_speed"))

    def outputs(self) -> None:
        """Starter and ignition."""
        self.board.write("ignition_feed", 1.0 if self.key_on else 0.0)
        cranked, rested = self.cranks, self.now_ms >= self.rests_until_ms
        self.cranks = self.may_crank() and (cranked or rested)
        if cranked and not self.cranks:
            self.rests_until_ms = self.now_ms + self.REST_MS
        self.board.write("starter", float(self.cranks))

    def may_crank(self) -> bool:
        """Only on a fresh request, once it has been seen off, and not while the engine runs."""
        heard = self.heard[START]
        if heard.values is None or not heard.fresh(self.now_ms):
            self.armed = False
            return False
        asked = bool(heard.values["Starter"])
        self.armed = self.armed or not asked
        return asked and self.armed and self.speed <= 500

    def measure(self) -> None:
        """Sensors to messages."""
        heat = float(self.board.read("coolant_temperature"))
        self.running = self.speed > 500 or (self.running and self.speed >= 400)
        self.hot = heat > 112 or (self.hot and heat >= 105)
        self.fan = heat > 95 or (self.fan and heat >= 90)
        self.out["EngineData"].set(Running=self.running, Overheat=self.hot)
        self.out["EngineData"].values.update(Speed=self.speed, CoolantTemperature=heat)
        self.out["EngineRequest"].set(CoolingFan=self.fan and self.key_on, FuelPump=self.pump())

    def pump(self) -> bool:
        """While the engine turns, and for two seconds when the key is turned on."""
        if not self.key_on:
            self.primed_ms = None
            return False
        if self.primed_ms is None:
            self.primed_ms = self.now_ms
        return self.speed > 100 or self.now_ms - self.primed_ms < 2000
