"""Nodes that notice a lost link never, too soon, at the wrong moment, or for ever."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import can
from base_link import Heard
from base_power import LAMP, HomeRear, Load

from linkloss_nodes import MS


class NoTimeout(HomeRear):
    """The last value holds, come what may."""

    def on_its_own(self, load: Load) -> float:
        values = self.heard[load.message].values
        assert values is not None
        return float(values[load.signal])


class OneMissTrips(HomeRear):
    """The time-out is hardly longer than one period."""

    LISTENS: ClassVar[Mapping[str, int]] = {**HomeRear.LISTENS, LAMP: 60}


class RollsOver(HomeRear):
    """Counts milliseconds in 32 bits, and compares with a sum instead of a difference.

    Its counter begins shortly before the roll-over that others meet after 49.7 days.
    """

    BEGINS = 2**32 - 1200

    @property
    def now_ms(self) -> int:
        return (self.board.now_ns() // MS + self.BEGINS) % 2**32

    def asked(self, load: Load) -> float:
        heard = self.heard[load.message]
        if heard.values is not None and self.now_ms > (heard.at_ms + heard.stale_ms) % 2**32:
            return self.on_its_own(load)
        return super().asked(load)


class ZerosBeforeFirstFrame(HomeRear):
    """The receive buffer is full of zeros at the start, and zero means off."""

    def asked(self, load: Load) -> float:
        return 0.0 if self.heard[load.message].values is None else super().asked(load)


class NeverReturns(HomeRear):
    """The fail-safe state is entered and never left."""

    def set_up(self) -> None:
        self.lost: set[str] = set()
        super().set_up()

    def asked(self, load: Load) -> float:
        heard = self.heard[load.message]
        if heard.values is not None and not heard.fresh(self.now_ms):
            self.lost.add(load.message)
        return self.on_its_own(load) if load.message in self.lost else super().asked(load)


class TimeoutOnArrival(HomeRear):
    """The time-out is checked where frames are handled: without frames it never strikes."""

    def set_up(self) -> None:
        self.lost: set[str] = set()
        super().set_up()

    def on_arrival(self, frame: can.Message) -> None:
        super().on_arrival(frame)
        now_ms = self.now_ms
        self.lost = {name for name, heard in self.heard.items() if not heard.fresh(now_ms)}

    def asked(self, load: Load) -> float:
        heard = self.heard[load.message]
        if heard.values is None:
            return load.reset
        lost = load.message in self.lost
        return self.on_its_own(load) if lost else float(heard.values[load.signal])


class EdgeCommands(HomeRear):
    """Acts on changes of a request instead of on the request."""

    def set_up(self) -> None:
        self.before: dict[str, float] = {}
        self.state: dict[str, float] = {}
        super().set_up()

    def asked(self, load: Load) -> float:
        heard = self.heard[load.message]
        level = super().asked(load)
        if heard.values is None or not heard.fresh(self.now_ms):
            self.state[load.signal] = level
        elif level != self.before.get(load.signal):
            self.state[load.signal] = self.before[load.signal] = level
        return self.state[load.signal]


class ToggleCommands(HomeRear):
    """Each change of the request turns the load over, whatever state it is in."""

    def set_up(self) -> None:
        self.state: dict[str, float] = {}
        super().set_up()

    def asked(self, load: Load) -> float:
        heard = self.heard[load.message]
        if heard.values is None or not heard.fresh(self.now_ms):
            self.state[load.signal] = super().asked(load)
        return self.state[load.signal]

    def take(self, heard: Heard, frame: can.Message) -> None:
        before = heard.values
        super().take(heard, frame)
        assert heard.values is not None
        for signal, value in heard.values.items():
            if before is None:
                self.state[signal] = value
            elif value != before[signal]:
                self.state[signal] = 1.0 - self.state.get(signal, 0.0)
