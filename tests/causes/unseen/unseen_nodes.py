"""Homemade nodes in Python with one mistake each, made by people who know cars better than code."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

import can
from base_dash import DEBOUNCE_MS, STATUS, SWITCHES, HomeDash
from base_engine import HomeEngine
from base_link import Heard, Outgoing
from base_power import BODY, LAMP, HomeFront, HomeRear, Load

from linkloss_nodes.control import ControlNode, ControlSettings
from linkloss_nodes.gauge import GaugeNode
from linkloss_nodes.power import PowerSettings

# ------------------------------------------------------------------------------ the dash


class DimmerHalved(HomeDash):
    """The level is divided by its factor of 2 by hand, and by the library once more."""

    def lamps(self) -> None:
        super().lamps()
        self.out["LampRequest"].values["PanelLevel"] /= 2


class EitherWiper(HomeDash):
    """Slow asks for the one winding, fast for the other: the motor needs both for fast."""

    def body(self) -> None:
        p = self.pressed
        key = p["ignition"] == "on"
        self.out["BodyRequest"].set(
            Horn=p["horn_button"] == "pressed",
            Wiper=p["wiper_switch"] == "slow" and key,
            WiperFast=p["wiper_switch"] == "fast" and key,
            InteriorLamp=self.trail("door", p["door"] == "open", 1500),
            Accessory=p["ignition"] != "off",
        )


class TouchFromRelease(HomeDash):
    """The three flashes are counted from when the stalk is let go."""

    def touch(self, name: str, on: bool) -> bool:
        now_ms = self.now_ms
        if on:
            self.on_ms.setdefault(name, now_ms)
        elif name in self.on_ms and now_ms - self.on_ms.pop(name) < 500:
            self.off_ms[name] = now_ms + 1800
        return on or now_ms < self.off_ms.get(name, 0)


class ClutchForgotten(HomeDash):
    """The starter is asked for with the foot off the clutch as well."""

    def start_request(self) -> None:
        engine, pressed = self.heard["EngineData"], self.pressed
        asked = pressed["start_button"] == "pressed"
        stands = engine.values is not None and engine.fresh(self.now_ms)
        stands = stands and engine.values is not None and not engine.values["Running"]
        self.spent = asked and (self.spent or not (pressed["ignition"] == "on" and stands))
        self.out["StartRequest"].set(Starter=asked and not self.spent)


class SwappedNotices(HomeDash):
    """Who is missing stands in the wrong place: two rows of the table are exchanged."""

    def notices(self) -> None:
        table = {**STATUS, "FrontStatus": "RearLost", "RearStatus": "FrontLost"}
        now_ms, lost = self.now_ms, {}
        for status, signal in table.items():
            since_ms = max(self.heard[status].at_ms, self.began_ms)
            lost[signal] = now_ms - since_ms > 500
        down = self.pressed["horn_button"] == "pressed"
        stuck = down and now_ms - self.moved_ms["horn_button"] > 3000
        self.out["DashNotices"].set(**lost, HornStuck=stuck, LinkWarning=any(lost.values()))


class PassesOnOneEnd(ControlNode):
    """A failed load is passed on to the driver if it is in the front."""

    @staticmethod
    def check_settings(settings: Mapping[str, Any]) -> ControlSettings:
        front = {"FrontStatus.LoadFailed": "LoadFailed"}
        return ControlNode.check_settings({**settings, "passed_on": front})


class SendsTheOneBefore(HomeDash):
    """Each period the frame that was built in the period before goes out."""

    def set_up(self) -> None:
        super().set_up()
        self.built: dict[int, can.Message] = {}

    def send_due(self) -> None:
        for out in self.out.values():
            out.changed = False
        super().send_due()

    def send(self, out: Outgoing) -> bool:
        frame = self.built.get(out.identifier)
        if frame is not None:
            try:
                self.board.bus.send(frame)
            except can.CanOperationError:
                self.refused()
                return False
        self.built[out.identifier] = out.build()
        return True


class SendsOnEveryEdge(HomeDash):
    """Each edge of a contact sends all there is, bouncing or not."""

    def on_input(self, name: str, value: str | float) -> None:
        if not self.knows_switches():
            return
        for out in self.out.values():
            if self.send(out):
                out.count = (out.count + 1) % 16
                out.sent_ms = self.now_ms


# ---------------------------------------------------------------------------- the engine


class FanWithoutHysteresis(HomeEngine):
    """The fan is off as soon as it is a little cooler."""

    def measure(self) -> None:
        self.fan = False
        super().measure()


class TwoPulses(HomeEngine):
    """The pick-up gives two pulses for each turn of the crankshaft, and each counts as one."""

    @property
    def speed(self) -> float:
        return 2 * float(self.board.read("engine_speed"))


class DropsIgnitionWhileCranking(HomeEngine):
    """All current for the starter: everything else is off while it turns."""

    def outputs(self) -> None:
        cranked, rested = self.cranks, self.now_ms >= self.rests_until_ms
        self.cranks = self.may_crank() and (cranked or rested)
        if cranked and not self.cranks:
            self.rests_until_ms = self.now_ms + self.REST_MS
        self.board.write("ignition_feed", float(self.key_on and not self.cranks))
        self.board.write("starter", float(self.cranks))


class SilentWithoutKey(HomeEngine):
    """Without the key there is nothing to tell, so nothing is sent."""

    def send_due(self) -> None:
        if self.key_on:
            super().send_due()


class AsksInTheWrongState(HomeEngine):
    """The way back from bus-off is asked for in the state error passive, which has another name."""

    def look_after_bus(self) -> None:
        if self.board.bus.state != can.BusState.PASSIVE:
            self.off_since = None
        elif self.off_since is None:
            self.off_since = self.now_ms
        elif self.now_ms - self.off_since >= 50:
            self.recover()
            self.off_since = None


# ----------------------------------------------------------------------------- the front


class OneHeartbeatForAll(HomeFront):
    """As long as the lamps are asked for, all is well: nobody looks at the other messages."""

    def asked(self, load: Load) -> float:
        heard = self.heard[load.message]
        if heard.values is None:
            return load.reset
        if self.heard[LAMP].fresh(self.now_ms):
            return float(heard.values[load.signal])
        return self.on_its_own(load)


class OneSwitchAtATime(HomeFront):
    """One output after the other, 60 ms apart, to be kind to the battery."""

    switched_ms = -60

    def set_output(self, name: str, level: float) -> None:
        if name in self.levels and level != self.levels[name]:
            if self.now_ms - self.switched_ms < 60:
                return
            self.switched_ms = self.now_ms
        super().set_output(name, level)


class DimsAtHighVoltage(HomeFront):
    """The bulbs live longer if they get less of what is more than 12 V."""

    def set_output(self, name: str, level: float) -> None:
        high = name.startswith("low_beam") and self.board.supply_volts() > 12.0
        super().set_output(name, 0.85 * level if high else level)


# ----------------------------------------------------------------------------- the gauge


def gauge_settings(
    settings: Mapping[str, Any], group: str, **lamps: Mapping[str, Any]
) -> PowerSettings:
    """The settings of the bundled gauge with other lamps in them."""
    return GaugeNode.check_settings({**settings, group: {**settings[group], **lamps}})


class SteadyTelltale(GaugeNode):
    """The tell-tale of the hazard warning is lit, and should flash."""

    @staticmethod
    def check_settings(settings: Mapping[str, Any]) -> PowerSettings:
        lamp = {"request": "LampRequest.Hazard", "stale_after_ms": 250}
        return gauge_settings(settings, "tell_tales", hazard_telltale=lamp)


class MainBeamTelltaleAlone(GaugeNode):
    """The blue lamp follows the stalk, and not what is lit."""

    @staticmethod
    def check_settings(settings: Mapping[str, Any]) -> PowerSettings:
        lamp = {"request": "LampRequest.MainBeam", "stale_after_ms": 250}
        return gauge_settings(settings, "tell_tales", main_beam_telltale=lamp)


class KeptAwakeByFrames(GaugeNode):
    """The time until it sleeps begins anew with each frame, and the neighbours never stop."""

    def on_frame(self, message: can.Message) -> None:
        super().on_frame(message)
        if self._sleeper is not None:
            self._sleeper._stop()
            self._sleeper.look()


class WarningsDarkWhenLost(GaugeNode):
    """A warning lamp is dark when nobody says otherwise, as the tell-tales beside it are."""

    @staticmethod
    def check_settings(settings: Mapping[str, Any]) -> PowerSettings:
        lamps = {name: {**lamp, "on_stale": "off"} for name, lamp in settings["warnings"].items()}
        return gauge_settings(settings, "warnings", **lamps)


# ------------------------------------------------------------------------------ the rear


class SavesTheBattery(HomeRear):
    """A lamp in the load bay that has been lit for a second has been forgotten, surely."""

    lit_ms: int | None = None

    def forbid(self, asked: dict[str, float]) -> None:
        super().forbid(asked)
        if not asked["interior_lamp"]:
            self.lit_ms = None
        elif self.lit_ms is None:
            self.lit_ms = self.now_ms
        elif self.now_ms - self.lit_ms >= 1000:
            asked["interior_lamp"] = 0.0


class SlowLever(HomeRear):
    """The lever of the gearbox has to rest for 300 ms before it counts."""

    def set_up(self) -> None:
        self.lever = self.raw = 0.0
        self.moved_ms = self.now_ms
        super().set_up()

    def wanted(self, load: Load) -> float:
        level = super().wanted(load)
        if load is not self.LOADS["reverse_lamps"]:
            return level
        if level != self.raw:
            self.raw, self.moved_ms = level, self.now_ms
        elif self.now_ms - self.moved_ms >= 300:
            self.lever = level
        return self.lever


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


class WipesWhenAlone(HomeFront):
    """A wiper that stands still in rain is worse than one that squeaks: in doubt it wipes."""

    def on_its_own(self, load: Load) -> float:
        return 1.0 if load.signal == "Wiper" else super().on_its_own(load)


class PanelAtFull(GaugeNode):
    """The lighting of the dials is on or off; nobody reads the level beside it."""

    @staticmethod
    def check_settings(settings: Mapping[str, Any]) -> PowerSettings:
        lamps = dict(settings["tell_tales"])
        lamps["panel_lamp"] = {k: v for k, v in lamps["panel_lamp"].items() if k != "level"}
        return GaugeNode.check_settings({**settings, "tell_tales": lamps})


class WaitsForTheNextCount(HomeRear):
    """Only the count that comes next is good, and behind a gap that is long past."""

    def counts_on(self, heard: Heard, frame: can.Message) -> bool:
        if heard.values is None:
            return True
        return frame.data[1] & 0x0F == (heard.count + 1) % 16


class LampOffWithTheDoor(HomeDash):
    """The lamp in the load bay goes out when the door is shut, and not a while after."""

    def trail(self, name: str, on: bool, last_ms: int) -> bool:
        return super().trail(name, on, 0 if name == "door" else last_ms)


class PrimesForAMoment(HomeEngine):
    """The fuel pump runs for 200 ms when the key is turned on: a nought is missing."""

    def pump(self) -> bool:
        wanted = super().pump()
        primed_ms = self.primed_ms
        turns = self.speed > 100
        return wanted and (turns or (primed_ms is not None and self.now_ms - primed_ms < 200))


class WiperStopsWhenLost(HomeFront):
    """The wiper stops in the middle of the glass when nobody asks any more."""

    LOADS: ClassVar[Mapping[str, Load]] = {
        **HomeFront.LOADS,
        "wiper": Load(BODY, "Wiper"),
        "wiper_fast": Load(BODY, "WiperFast"),
    }


class HazardLeadOnOneSide(HomeRear):
    """The lead of the hazard switch works the right indicator; the left one was forgotten."""

    LOADS: ClassVar[Mapping[str, Load]] = {
        **HomeRear.LOADS,
        "indicator_rear_left": Load(LAMP, "IndicatorLeft", flashes=True),
    }


class PatientWithTheHorn(HomeDash):
    """The driver hears of a stuck horn button after 30 s, and should after 3 s."""

    def notices(self) -> None:
        now_ms, lost = self.now_ms, {}
        for status, signal in STATUS.items():
            since_ms = max(self.heard[status].at_ms, self.began_ms)
            lost[signal] = now_ms - since_ms > 500
        down = self.pressed["horn_button"] == "pressed"
        stuck = down and now_ms - self.moved_ms["horn_button"] > 30_000
        self.out["DashNotices"].set(**lost, HornStuck=stuck, LinkWarning=any(lost.values()))
