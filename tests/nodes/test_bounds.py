"""The power node: requests by conditions, levels and fades, and what outranks a request."""

from __future__ import annotations

import pytest
from fake_board import FakeBoard, Speaker

from linkloss_nodes import SettingsError
from linkloss_nodes.power import PowerNode

LAMP = {"request": "LampRequest.Position", "stale_after_ms": 250}
DIM = {**LAMP, "level": "LampRequest.FlashTime"}
"""The signal has steps of 5: a raw 10 asks for 50 %."""


@pytest.fixture
def make(messages):
    def build(inputs=None, **outputs):
        settings = {"status": {"message": "FrontStatus"}, "outputs": outputs}
        board = FakeBoard("front", settings, messages, inputs=inputs or {})
        board.boot(PowerNode)
        return board, Speaker(board, "LampRequest")

    return build


def test_a_request_may_be_a_condition_over_several_signals(make):
    asks = {"request": "LampRequest.Position == 1 and LampRequest.Hazard == 0"}
    board, dash = make(lamp={**LAMP, **asks})
    dash.say(Position=1)
    assert board.level["lamp"] == 1
    dash.say(Hazard=1)
    assert board.level["lamp"] == 0


def test_a_request_over_two_messages_needs_both_of_them(make):
    asks = {"request": "LampRequest.Position == 1 and BodyRequest.Horn == 0", "on_stale": "on"}
    board, dash = make(lamp={**LAMP, **asks})
    body = Speaker(board, "BodyRequest")
    dash.say(Position=1)
    assert board.level["lamp"] == 0
    body.say()
    assert board.level["lamp"] == 1
    for _ in range(10):
        body.say(Horn=1)
        board.run(40)
    assert board.edges[2:] == [(0, "lamp", 0), (250, "lamp", 1)]
    dash.say()
    dash.say()
    assert board.level["lamp"] == 0


def test_a_level_is_followed_and_five_percent_is_off(make):
    board, dash = make(lamp=DIM)
    for raw, level in ((10, 0.5), (4, 0.2), (2, 0.1), (1, 0), (20, 1)):
        dash.say(Position=1, FlashTime=raw)
        assert board.level["lamp"] == level
    dash.say(Position=0)
    assert board.level["lamp"] == 0


@pytest.mark.parametrize(
    "on_stale, level", [("30 %", 0.3), ("5 %", 0), ("on", 1), ("hold", 0.5), ("off", 0)]
)
def test_a_level_may_be_the_state_for_a_lost_link(make, on_stale, level):
    board, dash = make(lamp={**DIM, "on_stale": on_stale})
    dash.say(Position=1, FlashTime=10)
    board.run(251)
    assert board.level["lamp"] == level


def test_an_input_may_decide_what_a_lost_link_means(make):
    lamp = {**LAMP, "on_stale": "pedal == down"}
    board, dash = make({"pedal": "up"}, lamp=lamp)
    dash.say(Position=1)
    board.run(251)
    assert board.level["lamp"] == 0
    board.set(pedal="down")
    assert board.level["lamp"] == 1
    dash.talk(200, Position=0)
    assert board.level["lamp"] == 0


def test_a_fade_takes_its_time_in_steps_of_one_direction(make):
    board, dash = make(lamp={**LAMP, "ramp_up_ms": 100, "ramp_down_ms": 200})
    dash.say(Position=1)
    board.run(95)
    up = [level for _, _, level in board.edges[1:]]
    assert up == pytest.approx([step / 10 for step in range(1, 11)])
    dash.say(Position=0)
    board.run(55)
    dash.say(Position=1)
    down = [level for _, _, level in board.edges[11:]]
    assert down[:6] == pytest.approx([0.95, 0.9, 0.85, 0.8, 0.75, 0.7])
    assert down[6:] == pytest.approx([0.8])  # turned where it stood
    board.run(50)
    assert board.level["lamp"] == 1


def test_a_trip_holds_until_its_other_condition_does(make):
    pump = {**LAMP, "trip": "crash == yes", "off_until": "key == off"}
    board, dash = make({"crash": "no", "key": "on"}, pump=pump)
    dash.say(Position=1)
    board.set(crash="yes")
    assert board.level["pump"] == 0
    board.set(crash="no")
    dash.say(Position=0)
    dash.say(Position=1)
    assert board.level["pump"] == 0
    board.set(key="off")
    assert board.level["pump"] == 1


def test_a_lamp_is_on_with_another_only(make):
    beams = {
        "low": {**LAMP, "request": "LampRequest.DippedBeam"},
        "high": {**LAMP, "request": "LampRequest.MainBeam", "only_with": ["low"]},
    }
    board, dash = make(**beams)
    dash.say(MainBeam=1)
    assert board.level == {"low": 0, "high": 0}
    dash.say(DippedBeam=1)
    assert board.level == {"low": 1, "high": 1}
    dash.say(DippedBeam=0)
    assert board.level == {"low": 0, "high": 0}


def test_a_load_is_on_for_its_longest_time_and_again_after_a_fresh_request(make):
    board, dash = make(horn={**LAMP, "longest_on_ms": 300})
    dash.talk(1000, Position=1)
    dash.say(Position=0)
    dash.say(Position=1)
    board.run(100)
    assert board.pulses("horn") == [(0, 300)]
    assert board.level["horn"] == 1


def test_a_load_is_off_for_its_shortest_time(make):
    board, dash = make(fan={**LAMP, "shortest_off_ms": 200})
    dash.say(Position=1)
    dash.say(Position=0)
    dash.talk(500, Position=1)
    assert board.edges == [(0, "fan", 0), (0, "fan", 1), (0, "fan", 0), (200, "fan", 1)]


@pytest.mark.parametrize(
    "change, key, text",
    [
        ({"trip": "crash == yes"}, "off_until", "'trip' and 'off_until' go together"),
        ({"only_with": ["lmap"]}, "only_with", "unknown output 'lmap'; expected one of: other"),
        ({"on_stale": "130 %"}, "on_stale", "expected a level from 0 % to 100 %"),
        ({"on_stale": "x %"}, "on_stale", "expected a level from 0 % to 100 %"),
        ({"on_reset": "pedal == up"}, "on_reset", "expected a state or a level"),
        ({"then": "hold", "hold_for_ms": 5}, "then", "got 'hold'; expected one of: off, on, flash"),
        ({"request": "LampRequest.Position = 1"}, "request", "cannot read"),
    ],
)
def test_a_mistake_is_told_with_its_key(change, key, text):
    outputs = {"lamp": LAMP | change, "other": LAMP}
    with pytest.raises(SettingsError, match=text) as found:
        PowerNode.check_settings({"status": "FrontStatus", "outputs": outputs})
    assert found.value.key == f"outputs.lamp.{key}"
