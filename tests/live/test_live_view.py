"""What is shown of the bus and of the clock, against what it should be by hand."""

from __future__ import annotations

import json

import pytest
from live_lab import MS, TAIL_STORY, WREN, nothing, play

from linkloss.bus import BusRecord, Frame
from linkloss.bus.frame import length_bits
from linkloss.clock.pace import Lateness
from linkloss.live import driven as tally_module
from linkloss.live.driven import Tally
from linkloss.live.view import LATE_NS, View, decoded, offers

OFFERS = offers(WREN)
RATE = 500_000
NS_PER_BIT = 1_000_000_000 // RATE


def record(start_ns, end_ns, identifier=0x123, data=b"\x00", **more):
    return BusRecord(start_ns, end_ns, "dash", Frame(identifier, data), **more)


@pytest.fixture(scope="module")
def told():
    live, excerpt = play([*TAIL_STORY[:3], (2600, nothing)])
    return live, excerpt, View(live, OFFERS).state()


def test_load_is_the_frames_with_the_gap_behind_each_over_a_second():
    tally, frame = Tally(RATE), Frame(0x123, bytes(8))
    length_ns = length_bits(frame) * NS_PER_BIT
    for number in range(1000):
        start_ns = number * MS
        tally.note(BusRecord(start_ns, start_ns + length_ns, "dash", frame))
    expected = (length_bits(frame) + 3) * NS_PER_BIT / MS  # 3 bits of intermission
    assert tally.load(1000 * MS) == pytest.approx(expected, rel=0.01)
    assert tally.load(1500 * MS) == pytest.approx(expected / 2, rel=0.01)
    assert tally.load(3000 * MS) == 0


def test_frames_on_two_pieces_of_bus_at_one_time_count_once():
    tally = Tally(RATE)
    tally.note(record(0, 600 * MS))
    tally.note(record(100 * MS, 700 * MS))
    assert tally.load(1000 * MS) == pytest.approx(0.7, abs=0.001)


def test_there_is_no_load_before_anything_happened():
    assert Tally(RATE).load(0) == 0.0


def test_a_babbling_node_does_not_fill_the_memory(monkeypatch):
    monkeypatch.setattr(tally_module, "_MOST_MESSAGES", 10)
    tally = Tally(RATE)
    for identifier in range(100):
        tally.note(record(identifier * MS, identifier * MS + 200_000, identifier))
    assert len(tally.messages) == 10
    assert tally.frames == 100
    assert len(tally.last) == tally_module.LAST_FRAMES


def test_sent_and_failed_frames_are_counted_apart():
    tally = Tally(RATE)
    tally.note(record(0, 200_000))
    tally.note(record(MS, MS + 200_000, error="ack"))
    tally.note(record(2 * MS, 2 * MS + 200_000, error="ack"))
    seen = tally.messages[(0x123, False)]
    assert (seen.sent, seen.failed, tally.failed) == (1, 2, 2)


def test_a_frame_says_what_it_says_but_for_what_protects_it():
    info = WREN.messages["EngineData"]
    # Speed 0.25 rpm a bit from bit 16, temperature 1 degC a bit less 40, as in the DBC.
    speed = (850 * 4).to_bytes(2, "little")
    found = decoded(info, record(0, 1, 144, b"\x00\x10" + speed + bytes([85 + 40])))
    assert found == "Running yes, Overheat no, Speed 850, CoolantTemperature 85"
    assert decoded(info, record(0, 1, 144, b"\x00")) == "1 bytes instead of 5"
    assert decoded(None, record(0, 1)) == ""


def test_a_state_is_the_session_as_it_stands(told):
    live, excerpt, state = told
    recording = live.session.recording
    assert state["inputs"]["lights"] == "position"
    assert state["loads"]["tail_left"] == 1.0
    assert state["notices"]["rear_lost"]
    assert state["nodes"]["rear"]["bus"] == "error-passive"
    assert [
        offer.fault.kind for offer in OFFERS if offer.number == state["faults"][0]["number"]
    ] == ["cut"]
    assert state["faults"][0]["since"] == excerpt.recording.faults[0].applied_ns // 1000
    assert state["frames"] == len(recording.frames)
    assert state["frame_errors"] == sum(one.error is not None for one in recording.frames)
    rear = state["messages"]["RearStatus"]
    assert rear["sent"] + rear["failed"] == sum(
        one.frame.identifier == 514 for one in recording.frames
    )
    assert state["last"][-1]["at"] == recording.frames[-1].end_ns // 1000


def test_a_state_is_plain_json_without_a_number_that_json_lacks(told):
    assert json.loads(json.dumps(told[2], allow_nan=False)) == json.loads(json.dumps(told[2]))


def test_a_session_is_behind_when_it_was_late_lately_and_when_it_gave_up(told):
    live = told[0]
    view = View(live, OFFERS)
    assert not view.state()["behind"]
    live.pacer.recent = Lateness()
    live.pacer.recent.note(LATE_NS * 2)
    assert view.state()["behind"]
    live.pacer.recent = Lateness()
    fresh = View(live, OFFERS)
    fresh.state()
    live.pacer.given_up_ns += 5 * MS
    assert fresh.state()["behind"]
    assert fresh.state()["given_up"] == live.pacer.given_up_ns // 1000
