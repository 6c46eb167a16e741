"""Nodes whose outputs do more, or less, than anything calls for."""

from __future__ import annotations

from typing import ClassVar

from base_power import BODY, ENGINE, Blinker, HomeFront, HomeRear

from nodes.api import MS


class PumpChatters(HomeRear):
    """A relay driver that is switched by two places in turn once the link is lost."""

    CHATTER_MS: ClassVar[int] = 400

    def set_output(self, name: str, level: float) -> None:
        heard = self.heard[ENGINE]
        if name == "fuel_pump" and heard.values is not None and not heard.fresh(self.now_ms):
            alone_ms = self.now_ms - heard.at_ms - heard.stale_ms
            if alone_ms < self.CHATTER_MS:
                level = 1.0 if alone_ms // 10 % 2 else 0.0
        super().set_output(name, level)


class ReverseFlickers(HomeRear):
    """The lever's contact is read without any debouncing of its own bounce: 900 ms of it."""

    engaged_ms: int | None = None

    def set_output(self, name: str, level: float) -> None:
        if name == "reverse_lamps":
            if level <= 0:
                self.engaged_ms = None
            elif self.engaged_ms is None:
                self.engaged_ms = self.now_ms
            elif self.now_ms - self.engaged_ms < 900:
                level = 1.0 if (self.now_ms - self.engaged_ms) // 30 % 2 == 0 else 0.0
        super().set_output(name, level)


class PulseAtBoot(HomeRear):
    """The self-test of the outputs switches on what it tests."""

    def set_up(self) -> None:
        super().set_up()
        self.board.write("accessory_socket", 1.0)
        self.board.after(3 * MS, self.board.write, "accessory_socket", 0.0)


class BarelyLit(HomeRear):
    """The duty register has eight bits, and the program takes it to have thirteen."""

    def set_output(self, name: str, level: float) -> None:
        super().set_output(name, 0.02 * level if name.startswith("tail") else level)


class SlowStarter(HomeRear):
    """For its first second it only looks on."""

    def wanted(self, load):  # type: ignore[no-untyped-def]
        if self.now_ms < 1000 and load.message == BODY:
            return load.reset
        return super().wanted(load)


class _LateBlinker(Blinker):
    def begin(self, now_ms: int) -> None:
        super().begin(now_ms)
        self.lit = False
        assert self.edge_ms is not None
        self.edge_ms += 1320


class SkipsFirstFlash(HomeFront):
    """The lamps begin to flash with a dark phase of two cycles."""

    def set_up(self) -> None:
        super().set_up()
        self.blinker = _LateBlinker()
