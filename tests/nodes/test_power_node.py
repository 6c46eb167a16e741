"""The power node: requests, silence, fail-safe states, local inputs, latch, flashing."""

from __future__ import annotations

import pytest
from fake_board import FakeBoard, Speaker

from linkloss_nodes.power import PowerNode

LAMP = {"request": "LampRequest.Position", "stale_after_ms": 250}


@pytest.fixture
def make(messages):
    def build(inputs=None, flash=None, **outputs):
        settings = {
            "status": {"message": "FrontStatus", "link_lost": "LinkLost"},
            "outputs": outputs,
            "flash": flash or {},
        }
        board = FakeBoard("front", settings, messages, inputs=inputs or {})
        board.boot(PowerNode)
        return board, Speaker(board, "LampRequest")

    return build


def test_a_load_follows_its_request(make):
    board, dash = make(lamp=LAMP)
    assert board.level == {"lamp": 0}
    dash.say(Position=1)
    assert board.level == {"lamp": 1}
    dash.say(Position=0)
    assert board.level == {"lamp": 0}


def test_it_listens_to_nothing_else(make):
    board, _ = make(lamp=LAMP)
    assert board.bus.wanted == [{"can_id": 0xA0, "can_mask": 0x7FF, "extended": False}]


def test_the_first_message_counts_whatever_its_counter(make):
    board, dash = make(lamp=LAMP)
    dash.count = 11
    dash.say(Position=1)
    assert board.level["lamp"] == 1


def test_a_garbled_a_short_and_a_repeated_message_change_nothing(make):
    board, dash = make(lamp=LAMP)
    first = dash.say(Position=0)
    garbled = dash.frame(Position=1)
    garbled.data[0] ^= 1
    short = dash.frame(Position=1)
    short.data = short.data[:3]
    for frame in (garbled, short, first):
        board.program.on_frame(frame)
    assert board.level["lamp"] == 0


def test_a_frozen_sender_goes_stale(make):
    board, dash = make(lamp={**LAMP, "on_stale": "on"})
    frame = dash.say(Position=0)
    for _ in range(100):
        board.run(25)
        board.program.on_frame(frame)
    assert board.edges == [(0, "lamp", 0), (250, "lamp", 1)]


@pytest.mark.parametrize("asked", [0, 1])
@pytest.mark.parametrize("on_stale, level", [("off", 0), ("on", 1), ("hold", None)])
def test_after_a_silence_the_load_is_as_declared(make, asked, on_stale, level):
    board, dash = make(lamp={**LAMP, "on_stale": on_stale})
    dash.say(Position=asked)
    board.run(249)
    assert board.level["lamp"] == asked
    board.run(2)
    assert board.level["lamp"] == (asked if level is None else level)


def test_two_messages_in_a_row_end_the_silence(make):
    board, dash = make(lamp={**LAMP, "on_stale": "off"})
    dash.say(Position=1)
    board.run(1000)
    dash.say(Position=1)
    assert board.level["lamp"] == 0
    board.run(50)
    dash.say(Position=1)
    assert board.level["lamp"] == 1
    board.run(249)
    assert board.level["lamp"] == 1
    board.run(2)
    assert board.level["lamp"] == 0


def test_single_messages_far_apart_do_not_end_the_silence(make):
    board, dash = make(lamp={**LAMP, "on_stale": "off"})
    dash.say(Position=1)
    board.run(1000)
    for _ in range(5):
        dash.say(Position=1)
        board.run(300)
    assert board.pulses("lamp") == [(0, 250)]


def test_steady_messages_never_go_stale(make):
    board, dash = make(lamp={**LAMP, "on_stale": "off"})
    dash.talk(5000, Position=1)
    assert board.pulses("lamp") == []
    assert board.level["lamp"] == 1


def test_a_hold_ends_after_its_time(make):
    board, dash = make(lamp={**LAMP, "on_stale": "hold", "hold_for_ms": 800, "then": "off"})
    dash.say(Position=1)
    board.run(250 + 799)
    assert board.level["lamp"] == 1
    board.run(2)
    assert board.level["lamp"] == 0


def test_a_hold_that_was_ended_by_a_message_does_not_end_the_next(make):
    board, dash = make(lamp={**LAMP, "on_stale": "hold", "hold_for_ms": 800, "then": "off"})
    dash.say(Position=1)
    board.run(500)
    dash.talk(1000, Position=1)
    assert board.level["lamp"] == 1


def test_after_a_reset_the_load_waits_in_its_state_and_then_counts_as_stale(make):
    board, _ = make(lamp={**LAMP, "on_reset": "on", "on_stale": "off"})
    assert board.level["lamp"] == 1
    board.run(249)
    assert board.level["lamp"] == 1
    board.run(2)
    assert board.level["lamp"] == 0


def test_holding_after_a_reset_means_the_state_of_the_reset(make):
    board, dash = make(lamp={**LAMP, "on_reset": "on", "on_stale": "hold"})
    dash.say(Position=0)
    board.boot(PowerNode)
    board.run(3000)
    assert board.level["lamp"] == 1


def test_a_local_input_decides_alone(make):
    board, _ = make({"pedal": "up"}, brake={"local": "pedal == down"}, lamp=LAMP)
    board.run(1000)
    board.set(pedal="down")
    assert board.level["brake"] == 1
    board.set(pedal="up")
    assert board.level["brake"] == 0


def test_a_local_input_is_read_at_the_start(make):
    board, _ = make({"pedal": "down"}, brake={"local": "pedal == down"}, lamp=LAMP)
    assert board.level["brake"] == 1


def test_an_edge_that_the_program_missed_is_found_soon(make):
    board, _ = make({"pedal": "up"}, brake={"local": "pedal == down"}, lamp=LAMP)
    board.run(1000)
    board.inputs["pedal"] = "down"
    board.run(101)
    assert board.level["brake"] == 1


def test_either_asks(make):
    board, dash = make({"key": "off"}, lamp={**LAMP, "local": "key == on", "local_use": "or"})
    dash.say(Position=1)
    board.set(key="on")
    dash.say(Position=0)
    assert board.level["lamp"] == 1
    board.run(1000)
    assert board.level["lamp"] == 1
    board.set(key="off")
    assert board.level["lamp"] == 0


STARTER = {"request": "LampRequest.Position", "stale_after_ms": 250, "latch": True}


def test_a_latch_waits_for_the_release_after_a_silence(make):
    board, dash = make(starter=STARTER)
    dash.say(Position=0)
    dash.say(Position=1)
    assert board.level["starter"] == 1
    board.run(300)
    dash.talk(500, Position=1)
    assert board.level["starter"] == 0
    dash.say(Position=0)
    dash.say(Position=1)
    assert board.level["starter"] == 1


def test_a_latch_waits_for_the_release_after_a_reset(make):
    board, dash = make(starter=STARTER)
    dash.say(Position=1)
    assert board.level["starter"] == 0


INHIBITED = {**STARTER, "inhibit": "rpm > 500", "inhibit_after_ms": 150}


def test_an_inhibited_load_is_not_switched_on(make):
    board, dash = make({"rpm": 900.0}, starter=INHIBITED)
    dash.say(Position=0)
    dash.talk(1000, Position=1)
    assert board.pulses("starter") == []
    assert board.level["starter"] == 0


def test_a_load_that_is_on_when_inhibited_goes_off_after_the_grace_and_stays_off(make):
    board, dash = make({"rpm": 200.0}, starter=INHIBITED)
    dash.say(Position=0)
    dash.talk(100, Position=1)
    board.set(rpm=600.0)
    dash.talk(100)
    board.set(rpm=700.0)
    dash.talk(300)
    board.set(rpm=0.0)
    dash.talk(300)
    assert board.pulses("starter") == [(0, 250)]
    assert board.level["starter"] == 0
    dash.say(Position=0)
    dash.say(Position=1)
    assert board.level["starter"] == 1


def test_a_load_whose_request_ended_within_the_grace_is_free_for_the_next_request(make):
    board, dash = make({"rpm": 200.0}, starter=INHIBITED)
    dash.say(Position=0)
    dash.talk(100, Position=1)
    board.set(rpm=600.0)
    dash.talk(50)
    dash.talk(500, Position=0)  # the engine runs, the driver lets go, the grace passes
    board.set(rpm=0.0)
    dash.talk(200, Position=0)
    dash.say(Position=1)
    assert board.level["starter"] == 1


FLASHING = {"request": "LampRequest.IndicatorLeft", "stale_after_ms": 250, "flashes": True}
TIME = {"cycle_ms": 660, "lit_ms": 330, "time": "LampRequest.FlashTime"}


def test_an_indicator_flashes_in_the_step_of_the_message(make):
    board, dash = make(flash=TIME, left=FLASHING)
    dash.say(IndicatorLeft=1, FlashTime=400 // 5)
    assert board.level["left"] == 0
    for elapsed in range(450, 2000, 50):
        board.run(50)
        dash.say(FlashTime=elapsed % 660 // 5)
    assert board.pulses("left") == [(260, 330), (920, 330)]


def test_repeated_messages_do_not_restart_the_flash(make):
    board, dash = make(left=FLASHING)
    dash.talk(2000, every_ms=20, IndicatorLeft=1)
    assert board.pulses("left") == [(0, 330), (660, 330), (1320, 330)]


def test_an_indicator_goes_dark_with_its_request(make):
    board, dash = make(left=FLASHING)
    dash.talk(100, IndicatorLeft=1)
    dash.say(IndicatorLeft=0)
    board.run(2000)
    assert board.pulses("left") == [(0, 100)]


def test_a_held_flash_goes_on_without_a_link(make):
    board, dash = make(left={**FLASHING, "on_stale": "hold"})
    dash.say(IndicatorLeft=1)
    board.run(3000)
    assert [at for at, _ in board.pulses("left")] == [0, 660, 1320, 1980, 2640]


def test_hazards_by_wire_flash_without_a_link(make):
    board, _ = make(
        {"hazard": "off"}, left={**FLASHING, "local": "hazard == on", "local_use": "or"}
    )
    board.run(1000)
    board.set(hazard="on")
    board.run(1000)
    board.set(hazard="off")
    board.run(1000)
    assert board.pulses("left") == [(1000, 330), (1660, 330)]


def test_the_status_says_that_a_link_is_lost(make):
    board, dash = make(lamp=LAMP)
    definition = board.messages.get_message_by_name("FrontStatus")

    def lost():
        return definition.decode(board.bus.sent[-1].data, decode_choices=False)["LinkLost"]

    assert not board.bus.sent
    dash.talk(150, Position=0)
    board.run(99)
    assert lost() == 0
    board.run(300)
    assert lost() == 1


def test_the_watchdog_is_fed_by_the_program(make):
    board, _ = make(lamp=LAMP)
    assert board.watchdog_ns == 200_000_000
    board.run(1000)
    assert board.fed >= 10
