"""Nodes that forget what outranks a request: a crash, an interlock, a limit of time; and a fade."""

from __future__ import annotations

from base_engine import HomeEngine
from base_power import HomeFront, HomeRear


class PumpsAfterACrash(HomeRear):
    """The pump stops for as long as the crash switch says so, and then goes on."""

    def forbid(self, asked: dict[str, float]) -> None:
        if self.board.read("crash") == "yes":
            asked["fuel_pump"] = 0.0


class MainBeamAlone(HomeFront):
    """Main beam as it is asked for, with or without the dipped beam."""

    def forbid(self, asked: dict[str, float]) -> None:
        main_beam = asked["high_beam"]
        super().forbid(asked)
        asked["high_beam"] = main_beam


class SoundsForEver(HomeFront):
    """A horn button that sticks is obeyed."""

    LONGEST_MS = 1_000_000


class CranksTooSoon(HomeEngine):
    """The pinion is thrown in again while it still turns."""

    REST_MS = 450


class FadesHalfWay(HomeRear):
    """The lamp in the load bay stays dim instead of going out."""

    def faded(self, name: str, level: float, fade_ms: int) -> float:
        found = super().faded(name, level, fade_ms)
        return max(found, 0.2) if fade_ms and self.levels.get(name) else found
