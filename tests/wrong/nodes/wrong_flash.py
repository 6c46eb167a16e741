"""Nodes that flash wrongly."""

from __future__ import annotations

import can
from base_link import Heard
from base_power import LAMP, LIT_MS, Blinker, HomeFront


class RestartedByFrames(HomeFront):
    """Every frame that asks for the indicator begins the flash cycle anew."""

    def take(self, heard: Heard, frame: can.Message) -> None:
        super().take(heard, frame)
        if heard is self.heard[LAMP] and self.blinker.edge_ms is not None:
            self.blinker.lit, self.blinker.edge_ms = True, self.now_ms + LIT_MS


class OwnPhase(HomeFront):
    """Flashes by its own clock and lets the other end flash by its."""

    def keep_step(self) -> None:
        self.blinker.dash_began_ms = 250  # since its own power-up


class TwoPhases(HomeFront):
    """One flasher for each side: hazards on top of an indicator flash in two phases."""

    def set_up(self) -> None:
        self.right = Blinker()
        super().set_up()

    def keep_step(self) -> None:
        """Each side goes as it began."""

    def work(self) -> None:
        super().work()
        name = "indicator_front_right"
        asked = self.wanted(self.LOADS[name])
        self.right.step(self.now_ms, wanted=bool(asked))
        self.set_output(name, float(self.right.lit))

    def set_output(self, name: str, level: float) -> None:
        if name != "indicator_front_right" or level == float(self.right.lit):
            super().set_output(name, level)
