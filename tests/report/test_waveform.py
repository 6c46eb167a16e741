"""The bits of a run: what stands on the bus, and who drives it."""

from __future__ import annotations

import pytest

from bench.recording import ControllerChange, Recording
from bench.report.waveform import course_of, waveform
from bench.wire import Frame, WireRecord
from bench.wire.frame import bits, length_bits

RATE = 500_000
BIT_NS = 2_000
FRAME = Frame(0x123, bytes.fromhex("DEADBEEF"))
# spelt out in the facts that the wire is tested against, acknowledged, start to end of frame
DEADBEEF = "000100100011000010011011110101011011011111001110111110001110011010111011111111"


def good(frame=FRAME, start_ns=1_000_000, sender="a", receivers=("b", "c"), rivals=()):
    end_ns = start_ns + length_bits(frame) * BIT_NS
    return WireRecord(start_ns, end_ns, sender, frame, receivers, rivals=rivals)


def failed(cause, k, **changes):
    start_ns = 1_000_000
    record = WireRecord(start_ns, start_ns + (k + 1) * BIT_NS, "a", FRAME, (), cause)
    return record._replace(**changes)


def sampled(edges, from_ns, count):
    """The level in the middle of each bit."""
    levels = []
    for place in range(count):
        at_ns = from_ns + place * BIT_NS + BIT_NS // 2
        before = [level for edge_ns, level in edges if edge_ns <= at_ns]
        levels.append(str(before[-1]) if before else "1")
    return "".join(levels)


def recording(*records, **controllers) -> Recording:
    made = Recording(vehicle="v", seed=0, end_ns=10**9)
    made.frames = list(records)
    made.controllers = controllers
    return made


def test_the_bus_carries_the_frame_and_everybody_drives_only_his_part():
    lines = waveform(recording(good()), RATE, ["a", "b", "c", "d"])
    assert list(lines) == ["bus", "a", "b", "c", "d"]
    seen = {name: sampled(edges, 1_000_000, 90) for name, edges in lines.items()}
    assert seen["bus"] == DEADBEEF + "1" * 12
    slot = len(DEADBEEF) - 9
    assert seen["a"] == DEADBEEF[:slot] + "1" + DEADBEEF[slot + 1 :] + "1" * 12
    assert seen["b"] == seen["c"] == "1" * slot + "0" + "1" * (89 - slot)
    assert lines["d"] == []


def test_the_bus_is_dominant_where_anybody_drives_it_so():
    course = course_of(good(), RATE, {})
    lines = [line.ljust(len(course.bus), "1") for line in course.driven.values()]
    columns = zip(*lines, strict=True)
    assert "".join(min(column) for column in columns) == course.bus


def test_every_frame_ends_recessive():
    lines = waveform(recording(good(), good(start_ns=3_000_000, sender="b")), RATE, "abc")
    assert all(edges[-1][1] == 1 for edges in lines.values())


def test_edges_lie_on_bits_counted_from_the_start_of_frame_whatever_the_rate():
    rate = 83_333
    edges = waveform(recording(good()), rate, [])["bus"]
    whole = bits(FRAME)
    places = [k for k in range(len(whole)) if whole[k] != ("1" + whole)[k]]
    assert [at_ns for at_ns, _ in edges] == [1_000_000 + round(k * 1e9 / rate) for k in places]


@pytest.mark.parametrize(("state", "flag"), [("ACTIVE", "0"), ("WARNING", "0"), ("PASSIVE", "1")])
def test_the_flag_of_a_frame_without_acknowledgement_follows_the_senders_state(state, flag):
    slot = len(DEADBEEF) - 9
    changes = [ControllerChange(500, state, 0, 0), ControllerChange(2_000_000, "PASSIVE", 128, 0)]
    course = course_of(failed("ack", slot), RATE, {"a": changes})
    assert course.bus == DEADBEEF[:slot] + "1" + flag * 6
    assert course.driven == {"a": course.bus}


@pytest.mark.parametrize("k", [5, 40, 75])
def test_a_disturbed_bit_differs_on_the_bus_from_what_is_driven(k):
    course = course_of(failed("disturbed", k), RATE, {})
    slot = len(DEADBEEF) - 9
    sent = DEADBEEF[:slot] + "1" + DEADBEEF[slot + 1 :]
    assert course.driven["a"] == sent[: k + 1] + "000000"
    assert course.bus[:k] == DEADBEEF[:k]
    assert course.bus[k] != DEADBEEF[k]
    assert course.bus[k + 1 :] == "000000"


def test_of_two_senders_that_differ_the_dominant_one_is_seen():
    k = 30
    course = course_of(failed("collision", k, rivals=("b",)), RATE, {})
    assert {course.driven["a"][k], course.driven["b"][k]} == {"0", "1"}
    assert course.bus[k] == "0"
    assert course.driven["a"][:k] == course.driven["b"][:k] == course.bus[:k]


def test_a_frame_that_breaks_off_is_drawn_as_far_as_it_came():
    record = failed("broken_off", 0, end_ns=1_000_000 + 33 * BIT_NS + 700)
    course = course_of(record, RATE, {})
    assert course.bus == DEADBEEF[:33]


def test_frames_at_one_time_are_on_pieces_of_their_own_and_stay_there():
    left = [good(start_ns=n * 1_000_000, receivers=("b",)) for n in (1, 2, 3)]
    right = [
        good(Frame(0x7F), n * 1_000_000 + 50_000, sender="c", receivers=("d",)) for n in (1, 2)
    ]
    alone = good(Frame(0x7E), 3_500_000, sender="d", receivers=("c",))
    lines = waveform(recording(*left, *right, alone), RATE, "abcd")
    assert list(lines)[:2] == ["bus", "bus_2"]
    for record in left:
        assert sampled(lines["bus"], record.start_ns, 78) == bits(record.frame)
    for record in (*right, alone):
        size = length_bits(record.frame)
        assert sampled(lines["bus_2"], record.start_ns, size) == bits(record.frame)
