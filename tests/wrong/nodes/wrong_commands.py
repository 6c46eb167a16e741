"""Nodes whose outputs do more, or less, than anything calls for."""

from __future__ import annotations

from math import nan
from typing import ClassVar

from base_power import BODY, ENGINE, LAMP, Blinker, HomeFront, HomePower, HomeRear

from linkloss_nodes import MS


class _Chatters(HomePower):
    """A driver that is switched by two places in turn once the link is lost."""

    CHATTERS: ClassVar[tuple[str, str]]
    """The load, and the message that asks for it."""
    CHATTER_MS: ClassVar[int] = 400

    def set_output(self, name: str, level: float) -> None:
        load, message = self.CHATTERS
        heard = self.heard[message]
        if name == load and heard.values is not None and not heard.fresh(self.now_ms):
            alone_ms = self.now_ms - heard.at_ms - heard.stale_ms
            if alone_ms < self.CHATTER_MS:
                level = 1.0 if alone_ms // 10 % 2 else 0.0
        super().set_output(name, level)


class PumpChatters(_Chatters, HomeRear):
    """The relay of the pump."""

    CHATTERS = ("fuel_pump", ENGINE)


class HighBeamChatters(_Chatters, HomeFront):
    """The main beam."""

    CHATTERS = ("high_beam", LAMP)


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


class NotANumber(HomeRear):
    """A duty of nothing divided by nothing."""

    def set_output(self, name: str, level: float) -> None:
        super().set_output(name, nan if level and name.startswith("tail") else level)


class LateHorn(HomeFront):
    """A horn that is asked for in the first second sounds half a second late."""

    asked_ms: int | None = None

    def set_output(self, name: str, level: float) -> None:
        if name == "horn":
            if level <= 0:
                self.asked_ms = None
            elif self.asked_ms is None:
                self.asked_ms = self.now_ms
            elif self.asked_ms >= 1000 or self.now_ms - self.asked_ms >= 500:
                return super().set_output(name, level)
            level = 0.0
        return super().set_output(name, level)


class SlowStarter(HomeRear):
    """For its first second it only looks on."""

    def wanted(self, load):
        if self.now_ms < 1000 and load.message == BODY:
            return load.reset
        return super().wanted(load)


class _LateBlinker(Blinker):
    late_ms = 1320

    def begin(self, now_ms: int) -> None:
        super().begin(now_ms)
        self.lit = False
        assert self.edge_ms is not None
        self.edge_ms += self.late_ms


class _LaterBlinker(_LateBlinker):
    late_ms = 660


class SkipsOneFlash(HomeFront):
    """The lamps begin to flash with a dark phase of one cycle."""

    def set_up(self) -> None:
        super().set_up()
        self.blinker = _LaterBlinker()


class PumpRunsOn(HomeRear):
    """The fuel pump runs on for 900 ms."""

    until_ms = 0

    def set_output(self, name: str, level: float) -> None:
        if name == "fuel_pump" and level > 0:
            self.until_ms = self.now_ms + 900
        on = name == "fuel_pump" and self.now_ms < self.until_ms
        super().set_output(name, 1.0 if on else level)


class SkipsFirstFlash(HomeFront):
    """The lamps begin to flash with a dark phase of two cycles."""

    def set_up(self) -> None:
        super().set_up()
        self.blinker = _LateBlinker()
