"""A homemade dash: reads the driver's switches, asks the other nodes, says who is missing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import can
from base_link import Heard, HomeNode

DEBOUNCE_MS = 20
STATUS = {
    "FrontStatus": "FrontLost",
    "RearStatus": "RearLost",
    "EngineStatus": "EngineLost",
    "GaugeStatus": "GaugeLost",
}
SWITCHES = (
    "ignition", "start_button", "clutch", "lights", "high_beam", "indicator", "hazard",
    "horn_button", "wiper_switch", "door",
)  # fmt: skip


class HomeDash(HomeNode):
    """The dash of the van."""

    LISTENS: ClassVar[Mapping[str, int]] = {"EngineData": 250, **dict.fromkeys(STATUS, 500)}
    SENDS = ("StartRequest", "LampRequest", "BodyRequest", "DashNotices")

    def set_up(self) -> None:
        """Look at the switches; what they say counts once they have been quiet for a while."""
        self.raw = {name: self.board.read(name) for name in SWITCHES}
        self.moved_ms = dict.fromkeys(SWITCHES, self.now_ms)
        self.began_ms = self.now_ms
        self.pressed: dict[str, str | float] = {}
        self.off_ms: dict[str, int] = {}
        self.on_ms: dict[str, int] = {}
        self.spent = False
        self.flash_ms: int | None = None

    def work(self) -> None:
        """One round; nothing is worked out or sent before all switches are known."""
        self.debounce()
        if self.knows_switches():
            self.start_request()
            self.lamps()
            self.body()
            self.notices()

    def send_due(self) -> None:
        """No guesses: a message full of zeros would switch off the lamps of a moving van."""
        if self.knows_switches():
            super().send_due()

    def knows_switches(self) -> bool:
        """Whether each switch has been quiet for long enough since the start."""
        return len(self.pressed) == len(SWITCHES)

    def debounce(self) -> None:
        """A switch counts when it has been the same for a while."""
        for name in SWITCHES:
            value = self.board.read(name)
            if value != self.raw[name]:
                self.raw[name], self.moved_ms[name] = value, self.now_ms
            elif self.now_ms - self.moved_ms[name] >= DEBOUNCE_MS:
                self.pressed[name] = value

    def counts_on(self, heard: Heard, frame: can.Message) -> bool:
        """Of a heartbeat only that it moves is of interest."""
        if heard is self.heard["EngineData"]:
            return super().counts_on(heard, frame)
        return not heard.fresh(self.now_ms) or frame.data[1] & 0x0F != heard.count

    # ---- helpers ----

    def trail(self, name: str, on: bool, last_ms: int) -> bool:
        """On, and for a while after."""
        if on:
            self.off_ms[name] = self.now_ms + last_ms
        return on or self.now_ms < self.off_ms.get(name, 0)

    def touch(self, name: str, on: bool) -> bool:
        """A touch shorter than 500 ms lasts for 1800 ms."""
        now_ms = self.now_ms
        if on:
            self.on_ms.setdefault(name, now_ms)
        elif name in self.on_ms:
            since_ms = self.on_ms.pop(name)
            if now_ms - since_ms < 500:
                self.off_ms[name] = since_ms + 1800
        return on or now_ms < self.off_ms.get(name, 0)

    # ---- the messages ----

    def start_request(self) -> None:
        """After any refusal the button must come up first."""
        engine, pressed = self.heard["EngineData"], self.pressed
        asked = pressed["start_button"] == "pressed"
        stands = engine.values is not None and engine.fresh(self.now_ms)
        stands = stands and engine.values is not None and not engine.values["Running"]
        allowed = pressed["ignition"] == "on" and pressed["clutch"] == "pressed" and stands
        self.spent = asked and (self.spent or not allowed)
        self.out["StartRequest"].set(Starter=asked and not self.spent)

    def lamps(self) -> None:
        """Outside lamps, and where the flash cycle stands."""
        p = self.pressed
        key, hazard, dipped = p["ignition"] == "on", p["hazard"] == "on", p["lights"] == "dipped"
        dipped = dipped or p["high_beam"] == "flash"
        left = self.touch("left", hazard or (p["indicator"] == "left" and key))
        right = self.touch("right", hazard or (p["indicator"] == "right" and key))
        self.out["LampRequest"].set(
            Position=self.trail("position", p["lights"] != "off", 1000),
            DippedBeam=self.trail("dipped", dipped and key, 1000),
            MainBeam=p["high_beam"] != "off" and key,
            Hazard=hazard,
            IndicatorLeft=left,
            IndicatorRight=right,
        )
        self.out["LampRequest"].values["PanelLevel"] = float(self.board.read("panel_dimmer"))
        self.flash_cycle(left or right)

    def flash_cycle(self, flashing: bool) -> None:
        """How long ago the running cycle began."""
        if not flashing:
            self.flash_ms = None
        elif self.flash_ms is None:
            self.flash_ms = self.now_ms
        since_ms = 1275 if self.flash_ms is None else (self.now_ms - self.flash_ms) % 660
        self.out["LampRequest"].values["FlashTime"] = since_ms

    def body(self) -> None:
        """Everything else."""
        p = self.pressed
        key = p["ignition"] == "on"
        self.out["BodyRequest"].set(
            Horn=p["horn_button"] == "pressed",
            Wiper=p["wiper_switch"] != "off" and key,
            WiperFast=p["wiper_switch"] == "fast" and key,
            InteriorLamp=self.trail("door", p["door"] == "open", 1500),
            Accessory=p["ignition"] != "off",
        )

    def notices(self) -> None:
        """Who has not been heard for half a second; a horn button that does not come back."""
        now_ms, lost = self.now_ms, {}
        for status, signal in STATUS.items():
            since_ms = max(self.heard[status].at_ms, self.began_ms)
            lost[signal] = now_ms - since_ms > 500
        down = self.pressed["horn_button"] == "pressed"
        stuck = down and now_ms - self.moved_ms["horn_button"] > 3000
        self.out["DashNotices"].set(**lost, HornStuck=stuck, LinkWarning=any(lost.values()))
