"""The engine node and the gauge with the settings of a whole car."""

from __future__ import annotations

import pytest
from fake_board import FakeBoard, Speaker

from linkloss_nodes.engine import EngineNode
from linkloss_nodes.gauge import GaugeNode


@pytest.fixture
def board(messages, wren):
    inputs = {"ignition": "off", "engine_speed": 0.0, "coolant_temperature": 20.0}
    settings = wren["nodes"]["engine"]["settings"]
    found = FakeBoard("engine", settings, messages, inputs=inputs)
    found.boot(EngineNode)
    return found


def last(board, name):
    definition = board.messages.get_message_by_name(name)
    frames = [frame for frame in board.bus.sent if frame.arbitration_id == definition.frame_id]
    return definition.decode(frames[-1].data, decode_choices=False)


def test_it_tells_speed_and_temperature(board):
    board.set(engine_speed=850.0, coolant_temperature=88.0)
    board.run(100)
    found = last(board, "EngineData")
    assert (found["Speed"], found["CoolantTemperature"]) == (850, 88)


def test_measurements_cause_no_extra_messages(board):
    for step in range(1000):
        board.set(coolant_temperature=20.0 + step / 100)
        board.run(1)
    data = [frame for frame in board.bus.sent if frame.arbitration_id == 0x90]
    assert len(data) == 21


def test_a_running_engine_is_told_at_once(board):
    board.run(120)
    before = len(board.bus.sent)
    board.set(engine_speed=600.0)
    board.run(0.1)
    assert len(board.bus.sent) == before + 1
    assert last(board, "EngineData")["Running"] == 1


def test_the_fan_comes_and_goes_with_a_distance(board):
    board.set(ignition="on")
    states = []
    for temperature in (94.0, 96.0, 92.0, 89.0, 94.0):
        board.set(coolant_temperature=temperature)
        board.run(200)
        states.append(last(board, "EngineRequest")["CoolingFan"])
    assert states == [0, 1, 1, 0, 0]


def test_the_fan_rests_with_the_ignition_off(board):
    board.set(coolant_temperature=110.0)
    board.run(200)
    assert last(board, "EngineRequest")["CoolingFan"] == 0


def test_the_pump_primes_and_then_runs_with_the_engine(board):
    board.run(100)
    board.set(ignition="on")
    board.run(1000)
    assert last(board, "EngineRequest")["FuelPump"] == 1
    board.run(1200)
    assert last(board, "EngineRequest")["FuelPump"] == 0
    board.set(engine_speed=200.0)
    board.run(100)
    assert last(board, "EngineRequest")["FuelPump"] == 1
    board.set(ignition="off")
    board.run(100)
    assert last(board, "EngineRequest")["FuelPump"] == 0


def test_the_ignition_feed_follows_the_key_without_a_bus(board):
    board.run(1000)
    board.set(ignition="on")
    assert board.level["ignition_feed"] == 1


def test_the_starter_never_engages_with_a_running_engine(board):
    dash = Speaker(board, "StartRequest")
    dash.talk(100, every_ms=40, Starter=0)
    board.set(engine_speed=900.0)
    dash.talk(1000, every_ms=40, Starter=1)
    assert board.pulses("starter") == []
    assert board.level["starter"] == 0


def test_the_starter_lets_go_soon_after_the_last_request(board):
    dash = Speaker(board, "StartRequest")
    dash.talk(100, every_ms=40, Starter=0)
    dash.talk(400, every_ms=40, Starter=1)
    board.run(500)
    ((_, length),) = board.pulses("starter")
    assert 400 <= length <= 400 + 161


def test_warning_lamps_are_lit_at_the_start_and_when_nobody_speaks(messages, wren):
    awake = {"ignition": "on", "hazard": "off"}
    settings = wren["nodes"]["gauge"]["settings"]
    board = FakeBoard("gauge", settings, messages, inputs=awake)
    board.boot(GaugeNode)
    assert board.level == {
        "hazard_telltale": 0,
        "main_beam_telltale": 0,
        "panel_lamp": 0,
        "overheat_lamp": 1,
        "link_lamp": 1,
    }
    engine, dash = Speaker(board, "EngineData"), Speaker(board, "DashNotices")
    engine.say(Overheat=0)
    dash.say(LinkWarning=0)
    assert board.level["overheat_lamp"] == 0
    assert board.level["link_lamp"] == 0
    board.run(600)
    assert board.level["overheat_lamp"] == 1
    assert board.level["link_lamp"] == 1


def test_the_status_tells_of_supply_and_running_time(board):
    board.run(3250)
    found = last(board, "EngineStatus")
    assert found["SupplyVoltage"] == pytest.approx(13.5)
    assert found["RunningFor"] == 3
    assert found["LinkLost"] == 1
    assert found["CameBack"] == 0
