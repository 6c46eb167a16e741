"""Programs that send wrongly, each in the place of one of Wren's, and the rule that tells of it.

Most need no fault at all: what they do wrong they do on a quiet evening, too.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import can
import pytest
from sender_lab import broken, drive, wren

from nodes.api import MS
from nodes.control import ControlNode
from nodes.engine import EngineNode
from nodes.power import PowerNode


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
    """The life sign is built once and sent again and again."""

    def start(self) -> None:
        super().start()
        protection = self.sender.message("RearStatus")._protection
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

        self.sender.send = thrice
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
        board = self.board
        self.board = _Tenfold(board)
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


@pytest.mark.parametrize(
    ("node", "program", "situation", "places"),
    [
        ("dash", EveryThreeMs, "night_drive", [("LampRequest", "cycle")]),
        ("dash", OnChangeOrRarely, "night_drive", [("LampRequest", "cycle")]),
        ("rear", CounterAtRest, "parked", [("RearStatus", "cycle")]),
        ("rear", Babbles, "parked", [("rear", "foreign")]),
        ("rear", SendsForFront, "parked", [("rear", "foreign")]),
        ("engine", SwappedBytes, "idle", [("EngineData.Speed", "sensor")]),
        ("engine", NoOffset, "idle", [("EngineData.CoolantTemperature", "sensor")]),
        ("rear", TenTimesTheSupply, "parked", [("RearStatus.SupplyVoltage", "sensor")]),
    ],
)
def test_a_wrong_sender_is_told_by_its_rule_alone(node, program, situation, places):
    assert broken(drive(wren(), situation, **{node: program})) == places


def test_each_frame_three_times_breaks_the_cycle_of_each_of_its_messages():
    found = broken(drive(wren(), "parked", dash=ThreeTimes))
    messages = ("StartRequest", "LampRequest", "BodyRequest", "DashNotices")
    assert found == [(name, "cycle") for name in messages]


GARBLED = ("corrupt", {"message": "LampRequest"}, 700, 2700)


def test_endless_instant_recovery_is_loud():
    found = drive(wren(), "night_drive", GARBLED, dash=BackAtOnce)
    assert broken(found) == [("dash", "quiet recovery")]
    assert "times within a second" in found[("dash", "quiet recovery")].text


@pytest.mark.parametrize(
    ("program", "loud"), [({"dash": BackAtOnce}, [("dash", "quiet recovery")]), ({}, [])]
)
def test_and_so_is_what_its_failures_take_of_the_wire_where_returns_are_not_counted(program, loud):
    """One that comes back at once takes 14 % of the wire, Wren's own dash 5 %."""
    vehicle = wren()
    limits = {"returns": 1000, "failed_share": 0.1}
    dash = vehicle.nodes["dash"].model_copy(update=limits)
    file = vehicle.file.model_copy(update={"nodes": {**vehicle.nodes, "dash": dash}})
    found = drive(replace(vehicle, file=file), "night_drive", GARBLED, **program)
    assert broken(found) == loud
    if loud:
        assert "of the wire within a second" in found[("dash", "quiet recovery")].text


def test_wrens_own_way_back_from_bus_off_is_quiet_and_put_to_the_test():
    found = drive(wren(), "night_drive", GARBLED)
    assert not broken(found)
    assert found[("dash", "quiet recovery")].outcome.value == "kept"


@pytest.mark.parametrize("situation", [*wren().situations])
def test_wren_keeps_every_rule_of_messages_and_senders_without_a_fault(situation):
    found = drive(wren(), situation)
    assert not broken(found)
    unkept = [pair for pair, verdict in found.items() if verdict.outcome.value != "kept"]
    assert {rule for _, rule in unkept} <= {"sensor", "quiet recovery"}
