"""The bits of a run: what stands on the bus, and who drives it."""

from __future__ import annotations

import itertools
from functools import partial

import pytest

from linkloss.bus import Bus, BusRecord, Controller, Frame, RecordList
from linkloss.bus.frame import bits, length_bits
from linkloss.bus.record import BitError
from linkloss.clock.queue import EventQueue
from linkloss.recording import ControllerChange, Recording, note_bit
from linkloss.report.waveform import course_of, waveform

RATE = 500_000
BIT_NS = 2_000
FRAME = Frame(0x123, bytes.fromhex("DEADBEEF"))
# spelt out in the facts that the bus is tested against, acknowledged, start to end of frame
DEADBEEF = "000100100011000010011011110101011011011111001110111110001110011010111011111111"


def good(frame=FRAME, start_ns=1_000_000, sender="a", receivers=("b", "c"), rivals=()):
    end_ns = start_ns + length_bits(frame) * BIT_NS
    return BusRecord(start_ns, end_ns, sender, frame, receivers, rivals=rivals)


def failed(cause, k, **changes):
    start_ns = 1_000_000
    record = BusRecord(start_ns, start_ns + (k + 1) * BIT_NS, "a", FRAME, (), cause)
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
    made.frames = RecordList(records)
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
    course = course_of(good())
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


@pytest.mark.parametrize(("active", "flag"), [(True, "0"), (False, "1")])
def test_the_flag_of_a_frame_that_nobody_heard_follows_the_senders_state(active, flag):
    slot = len(DEADBEEF) - 9
    course = course_of(failed("ack", slot), active=active)
    assert course.bus == DEADBEEF[:slot] + "1" + flag * 6
    assert course.driven == {"a": course.bus}


def test_a_lone_sender_shows_passive_flags_once_it_is_passive():
    slot = len(DEADBEEF) - 9
    first = failed("ack", slot)
    second = first._replace(start_ns=3_000_000, end_ns=first.end_ns + 2_000_000)
    changes = [ControllerChange(2_000_000, "PASSIVE", 128, 0)]
    edges = waveform(recording(first, second, a=changes), RATE, ["a"])["bus"]
    assert sampled(edges, 1_000_000, 77)[slot:] == "10000001"
    assert sampled(edges, 3_000_000, 77)[slot:] == "11111111"


class Followed:
    """A bus of 500 kbit/s, bits recorded."""

    def __init__(self, *hits, wiring=None):
        self.queue = EventQueue()
        self.bus = Bus(self.queue, RATE)
        self.made = recording()
        self.bits = []
        self.bus.observers.append(self.made.frames.append)
        self.bus.bit_observers.append(partial(note_bit, self.made.bits))
        self.bus.bit_observers.append(self.bits.append)
        self.nodes = {name: Controller(name) for name in "abc"}
        for node in self.nodes.values():
            self.bus.attach(node)
        left = [list(hits)]
        self.bus.disturbances.append(lambda *_: left.pop() if left else [])
        if wiring is not None:
            wiring(self.bus)
        self.queue.run_until(1_000_000)
        self.nodes["a"].send(FRAME)
        self.queue.run_until(3_000_000)

    def lines(self):
        return waveform(self.made, RATE, ["a", "b", "c"])


def test_a_failed_frame_is_drawn_with_all_flags_and_its_repeat():
    followed = Followed(BitError(40))
    lines = followed.lines()
    # bit 40 is read dominant; flag of a 41 to 46, of the others from the sixth dominant bit on
    bus = sampled(lines["bus"], 1_000_000, 63 + 78)
    assert bus == DEADBEEF[:40] + "0" * 12 + "1" * 11 + DEADBEEF
    assert sampled(lines["a"], 1_000_000, 63)[40:] == "1" + "0" * 6 + "1" * 16
    assert sampled(lines["b"], 1_000_000, 63)[40:] == "1" * 6 + "0" * 6 + "1" * 11
    assert list(lines) == ["bus", "a", "b", "c"]


def test_equal_bits_in_a_row_are_one_entry():
    followed = Followed(BitError(40))
    assert len(followed.made.bits) < len(followed.bits) / 1.5
    assert followed.made.bits[-1].end_ns == followed.bits[-1].end_ns
    spans = [(bit.start_ns, bit.end_ns) for bit in followed.made.bits]
    assert all(one[1] == other[0] for one, other in itertools.pairwise(spans))


def test_who_reads_something_else_than_others_has_a_channel_for_it():
    lines = Followed(BitError(40, frozenset("b"))).lines()
    assert list(lines) == ["bus", "a", "b", "c", "b_reads"]
    assert sampled(lines["b_reads"], 1_000_000, 42) != sampled(lines["bus"], 1_000_000, 42)
    assert sampled(lines["b_reads"], 1_000_000, 42)[40] == "0"


def test_a_node_that_is_not_heard_drives_its_line_and_not_the_bus():
    def one_conductor(bus):
        bus.unplug("a", "CAN_L")

    lines = Followed(wiring=one_conductor).lines()
    assert sampled(lines["a"], 1_000_000, 60) == DEADBEEF[:60]
    assert sampled(lines["a_reads"], 1_000_000, 60) == DEADBEEF[:60]
    assert lines["bus"] == lines["b"] == []


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
