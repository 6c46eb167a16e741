"""Wren's own programs with one mistake each in what they send, and how often."""

from __future__ import annotations

from functools import partial
from typing import Any, cast

import can
from base_engine import HomeEngine

from linkloss_nodes import MS
from linkloss_nodes.control import ControlNode
from linkloss_nodes.engine import EngineNode
from linkloss_nodes.power import PowerNode


class EveryThreeMs(ControlNode):
    """Three milliseconds for fifty: a slip of the finger."""

    def start(self) -> None:
        super().start()
        self.sender.message("LampRequest")._period_ns = 3 * MS


class OnChangeOrRarely(ControlNode):
    """At once when something changes, and else every 200 ms."""

    def start(self) -> None:
        super().start()
        self.sender.message("LampRequest")._period_ns = 200 * MS


class CounterAtRest(PowerNode):
    """The heartbeat is built once and sent again and again."""

    def start(self) -> None:
        super().start()
        protection: Any = self.sender.message("RearStatus")._protection
        protection.seal = partial(self.sealed, protection.seal)

    @staticmethod
    def sealed(seal, data, count) -> None:
        seal(data, 0)


class Babbles(PowerNode):
    """Sends identifier 1 whenever there is room."""

    identifier, every_ms, data = 1, 5, b"\0"

    def start(self) -> None:
        super().start()
        self.board.every(self.every_ms * MS, self.babble)

    def babble(self) -> None:
        try:
            message = can.Message(
                arbitration_id=self.identifier, data=self.data, is_extended_id=False
            )
            self.board.bus.send(message)
        except can.CanOperationError:
            pass


class SendsForFront(Babbles):
    """Code that was copied from the other end of the car, with its status message."""

    identifier, every_ms, data = 0x201, 100, b"\0\0\0\0"


class ThreeTimes(ControlNode):
    """Each frame three times, to be on the safe side."""

    def start(self) -> None:
        once = self.sender.send

        def thrice(message) -> int:
            for _ in range(2):
                once(message)
            return once(message)

        vars(self.sender)["send"] = thrice
        super().start()


class SwappedBytes(EngineNode):
    """The speed with its bytes the wrong way round."""

    def _measure(self, name, value) -> None:
        if name == "engine_speed":
            raw = round(float(value) * 4) & 0xFFFF
            value = ((raw & 0xFF) << 8 | raw >> 8) / 4
        super()._measure(name, value)


class NoOffset(EngineNode):
    """The temperature without the offset of 40 degC."""

    def _measure(self, name, value) -> None:
        super()._measure(name, value - 40 if name == "coolant_temperature" else value)


class TenTimesTheSupply(PowerNode):
    """Tenths of a volt for a signal that has a factor of 0.1 already."""

    def prepare_status(self, settings) -> None:
        board: Any = self.board
        self.board = cast("Any", _Tenfold(board))
        super().prepare_status(settings)
        self.board = board


class _Tenfold:
    def __init__(self, board) -> None:
        self.supply_volts = lambda: 10 * board.supply_volts()


class BackAtOnce(ControlNode):
    """Asks the controller to come back as soon as it is bus-off."""

    def start(self) -> None:
        super().start()
        self.board.every(MS, self.come_back)

    def come_back(self) -> None:
        if self.board.bus.state == can.BusState.ERROR:
            self.board.recover_bus()


class PumpTurnedRound(HomeEngine):
    """The fuel pump runs when it should not, and stands when it should run."""

    def pump(self) -> bool:
        return not super().pump()
