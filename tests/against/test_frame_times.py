"""Frame times against Davis, Burns, Bril, Lukkien: "Controller Area Network (CAN) schedulability
analysis: Refuted, revisited and revised", Real-Time Systems 35 (2007), equations 1 to 3.

The bound counts every stuff bit that could ever be needed and is not reached by real frames, so it
is tested as an upper bound only.
"""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkloss.bus.controller import Controller
from linkloss.bus.frame import Frame, length_bits, longest_bits
from linkloss.bus.medium import Bus
from linkloss.clock.queue import EventQueue


@pytest.mark.parametrize("size", range(9))
def test_bounds_of_equations_two_and_three(size):
    assert longest_bits(size) == 55 + 10 * size
    assert longest_bits(size, extended=True) == 80 + 10 * size


@pytest.mark.parametrize(
    ("size", "extended", "length"),
    [(8, False, 135), (7, False, 125), (1, False, 65), (0, False, 55), (8, True, 160)],
)
def test_bounds_printed_in_the_paper_or_following_from_it(size, extended, length):
    assert longest_bits(size, extended) == length


@given(st.integers(0, 0x1FFF_FFFF), st.binary(max_size=8), st.booleans())
@settings(max_examples=300, deadline=None)
def test_no_frame_is_longer_than_the_bound(identifier, data, extended):
    frame = Frame(identifier if extended else identifier & 0x7FF, data, extended)
    assert length_bits(frame) + 3 <= longest_bits(len(data), extended)


@pytest.mark.parametrize(
    ("frame", "stuff_bits"),
    [
        # found by hill climbing from the published layout: the longest frames known
        (Frame(0x078, bytes.fromhex("3C3C3C3C3C7C3C3C")), 21),
        (Frame(0x0FCC1E1E, bytes.fromhex("1F0F0F0F0F0F0F0F"), extended=True), 25),
    ],
    ids=str,
)
def test_the_longest_known_frames(frame, stuff_bits):
    unstuffed = (64 if frame.extended else 44) + 64
    assert length_bits(frame) == unstuffed + stuff_bits
    assert length_bits(frame) + 3 < longest_bits(8, frame.extended)


def test_every_empty_base_frame_has_one_to_six_stuff_bits():
    added = [length_bits(Frame(identifier)) - 44 for identifier in range(0x800)]
    assert (min(added), max(added)) == (1, 6)
    assert sum(added) / len(added) == pytest.approx(1.969, abs=0.0005)


def two_on_a_bus(bit_rate: int):
    queue = EventQueue()
    bus = Bus(queue, bit_rate)
    sender, receiver = Controller("sender", mailboxes=8, order="fifo"), Controller("receiver")
    bus.attach(sender)
    bus.attach(receiver)
    records = []
    bus.observers.append(records.append)
    return queue, sender, receiver, records


@pytest.mark.parametrize("bit_rate", [10_000, 83_333, 125_000, 500_000, 1_000_000])
def test_a_frame_takes_its_bits_and_the_next_follows_after_three_more(bit_rate):
    queue, sender, receiver, records = two_on_a_bus(bit_rate)
    frames = [Frame(0x100 + n, bytes([n] * n)) for n in range(8)]
    for frame in frames:
        sender.send(frame)
    queue.run_until(10**9)
    assert [record.frame for record in records] == frames
    start_ns = 0
    for record in records:
        length = length_bits(record.frame)
        assert record.start_ns == start_ns
        assert record.end_ns == start_ns + round(length * 1e9 / bit_rate)
        assert receiver.receive() == (record.end_ns, record.frame)
        start_ns += round((length + 3) * 1e9 / bit_rate)


def test_seven_bytes_at_125_kbit_stay_within_the_papers_millisecond():
    # table 2 of the paper: 7 data bytes at 125 kbit/s are C = 1 ms with worst-case stuffing
    queue, sender, _, records = two_on_a_bus(125_000)
    for data in (bytes(7), b"\xff" * 7, b"\x0f" * 7):
        sender.send(Frame(0x078, data))
    queue.run_until(10**9)
    starts = [record.start_ns for record in records]
    assert len(starts) == 3
    assert all(later - earlier <= 1_000_000 for earlier, later in itertools.pairwise(starts))
