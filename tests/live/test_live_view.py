"""What is shown of the bus and of the clock, against what it should be by hand."""

from __future__ import annotations

import json

import pytest
from live_lab import MS, TAIL_STORY, WREN, act, nothing, play

from linkloss.bus import BusRecord, Frame
from linkloss.bus.frame import length_bits
from linkloss.clock.pace import Lateness
from linkloss.live import tally as tally_module
from linkloss.live import view as view_module
from linkloss.live.standing import Band, Standing
from linkloss.live.tally import SLOT_NS, SLOTS, Slot, Tally
from linkloss.live.view import LATE_NS, Tempo, View, decoded, offers

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


class Counted:
    """The error counters of a controller."""

    def __init__(self, tec=0, rec=0) -> None:
        self.tec, self.rec = tec, rec


def test_the_strip_of_the_bus_counts_frames_and_failed_attempts_and_keeps_the_highest_counters():
    dash = Counted()
    tally = Tally(RATE, {"dash": dash})
    tally.note(record(10 * MS, 11 * MS))
    for tec in (8, 16, 24):
        dash.tec = tec
        tally.note(record(120 * MS, 121 * MS, error="ack"))
    dash.tec = 3  # it falls with frames that are sent
    tally.note(record(150 * MS, 151 * MS))
    tally.note(record(320 * MS, 321 * MS))
    assert tally.slots(350 * MS) == [
        Slot(0, 1, 0, {"dash": (0, 0)}),
        Slot(1, 1, 3, {"dash": (24, 0)}),
        Slot(2, 0, 0, {"dash": (24, 0)}),
        Slot(3, 1, 0, {"dash": (3, 0)}),
    ]


def test_the_strip_of_the_bus_holds_ten_seconds_however_long_nothing_was_sent():
    dash = Counted(rec=7)
    tally = Tally(RATE, {"dash": dash})
    for number in range(300):
        tally.note(record(number * SLOT_NS, number * SLOT_NS + MS))
    slots = tally.slots(299 * SLOT_NS + 5)
    assert [slot.number for slot in slots] == [*range(200, 300)]
    assert {slot.frames for slot in slots} == {1}
    slots = tally.slots(1000 * SLOT_NS)
    assert len(slots) == SLOTS
    assert {(slot.frames, slot.counters["dash"]) for slot in slots} == {(0, (0, 7))}


def test_the_strip_of_a_load_has_its_changes_of_ten_seconds_and_what_was_allowed():
    story = [(500, act(ignition="on")), (1000, act(lights="position")), (12_000, nothing)]
    live, excerpt = play(story)
    view = View(live, OFFERS)
    view.standing = Standing(
        9_000 * MS, bands={"tail_left": Band(((3_000 * MS, 9_000 * MS),), (), ((5, 7000),), "on")}
    )
    told = json.loads(json.dumps(view.state()))["strips"]
    lamp = excerpt.recording.outputs["tail_left"]
    assert told["tail_left"]["levels"] == [[lamp.times[-1] // 1000, 1.0]]
    assert told["tail_left"]["lit"] == [[3_000_000, 9_000_000]]
    assert told["tail_left"]["wrong"] == [[0, 7]]
    assert told["tail_left"]["may"] == "on"
    assert told["tail_right"]["may"] == ""
    assert set(told) == set(WREN.loads)


def test_the_strip_of_a_load_that_bounces_stays_short(monkeypatch):
    monkeypatch.setattr(view_module, "_MOST_CHANGES", 10)
    live, excerpt = play([(500, act(ignition="on", hazard="on")), (9_000, nothing)])
    flashing = excerpt.recording.outputs["hazard_telltale"]
    assert len(flashing.times) > 15
    told = View(live, OFFERS).state()["strips"]["hazard_telltale"]["levels"]
    assert [at_us for at_us, _ in told] == [at_ns // 1000 for at_ns in flashing.times[-10:]]


def test_the_pace_is_what_came_of_the_speed_that_was_asked_for():
    now_s = [100.0]
    tempo = Tempo(lambda: now_s[0])
    assert tempo.now(0, 10.0, False) == 10.0  # nothing is known yet
    for step in range(1, 60):
        now_s[0] += 0.04
        told = tempo.now(step * 160 * MS, 10.0, False)
    assert told == 4.0
    assert tempo.now(59 * 160 * MS, 1.0, False) == 1.0  # asked for anew
    now_s[0] += 1
    assert tempo.now(59 * 160 * MS + 1000 * MS, 1.0, False) == 1.0
    assert tempo.now(59 * 160 * MS + 1000 * MS, 1.0, True) == 1.0  # standing still as asked
