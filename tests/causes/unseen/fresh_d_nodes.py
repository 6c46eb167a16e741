"""Homemade nodes in Python with one mistake each: loads and switches of the driver's comfort."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from base_dash import STATUS, HomeDash
from base_engine import HomeEngine
from base_power import BODY, LAMP, HomeFront, HomeRear, Load


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
