"""Logged frames on the bus: when they begin, when they end, how much later they come."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from replay_lab import DRIVE, MS, real, text_log

from linkloss.bus import Bus, Controller, Frame
from linkloss.bus.frame import INTERMISSION_BITS, length_bits
from linkloss.clock import EventQueue
from linkloss.logs.bare import Part, replay_bare
from linkloss.recording import LoggedFrame, Shift
from linkloss.session.logged import Player

BIT_RATE = 250_000
BIT_NS = 4_000


def play(*entries: LoggedFrame, mailboxes: int = 8):
    """Play frames from one sender to one listener; the bus's records and the shift."""
    queue = EventQueue()
    bus = Bus(queue, BIT_RATE)
    sender = Controller("log", mailboxes=mailboxes, order="fifo")
    records = []
    bus.observers.append(records.append)
    bus.attach(sender)
    bus.attach(Controller("listener", receive_depth=1000))

    def feed(frame):
        sender.send(frame)
        return True

    player = Player(queue, bus, iter(entries), lambda _: feed)
    player.plays(sender)
    player.begin()
    queue.run()
    player.close()
    return records, player.shift


def test_on_a_free_bus_a_frame_ends_exactly_when_it_was_logged():
    frames = [LoggedFrame((10 + 7 * n) * MS + 13 * n, "log", Frame(0x100 + n, bytes([n] * n)))
              for n in range(9)]  # fmt: skip
    records, shift = play(*frames)
    assert [record.end_ns for record in records] == [entry.at_ns for entry in frames]
    assert [record.start_ns for record in records] == [
        entry.at_ns - BIT_NS * length_bits(entry.frame) for entry in frames
    ]
    assert (shift.sent, shift.moved, shift.lost) == (9, 0, 0)


def test_where_the_bus_is_taken_the_frame_waits_and_the_shift_is_noted():
    first, second = Frame(0x100, b"\1"), Frame(0x200, b"\2")
    records, shift = play(LoggedFrame(10 * MS, "log", first), LoggedFrame(10 * MS, "log", second))
    later_ns = BIT_NS * (INTERMISSION_BITS + length_bits(second))
    assert [record.end_ns for record in records] == [10 * MS, 10 * MS + later_ns]
    assert (shift.moved, shift.most_ns, shift.sum_ns) == (1, later_ns, later_ns)
    assert shift.most_frame == str(second)


def test_frames_that_find_no_mailbox_are_counted():
    burst = [LoggedFrame(10 * MS, "log", Frame(0x100 + n, bytes(8))) for n in range(5)]
    records, shift = play(*burst, mailboxes=2)
    assert len(records) == shift.sent == 2
    assert (shift.refused, shift.lost, shift.stray, shift.fallen) == (3, 3, 3, {})


def test_shifts_are_counted_by_powers_of_two():
    shift = Shift()
    for shift_ns in (0, 1, 1000, 1024):
        shift.note(shift_ns, 0, Frame(1))
    assert (shift.sent, shift.moved) == (4, 3)
    assert {power: n for power, n in enumerate(shift.bins) if n} == {1: 1, 10: 1, 11: 1}


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 3 * MS), st.integers(0, 0x7FF), st.binary(max_size=8)),
                min_size=1, max_size=30))  # fmt: skip
def test_every_frame_comes_once_none_earlier_than_logged_and_none_overlap(rows):
    at_ns, entries = 10 * MS, []
    for span_ns, identifier, data in rows:
        at_ns += span_ns
        entries.append(LoggedFrame(at_ns, "log", Frame(identifier, data)))
    records, shift = play(*entries, mailboxes=64)
    assert [record.frame for record in records] == [entry.frame for entry in entries]
    for record, entry in zip(records, entries, strict=True):
        assert record.end_ns >= entry.at_ns
    for earlier, later in pairwise(records):
        assert later.start_ns >= earlier.end_ns + INTERMISSION_BITS * BIT_NS
    assert shift.sent == len(entries)


def test_each_channel_has_a_bus_of_its_own(tmp_path):
    one = text_log(tmp_path / "a", (1, "100#00"), (2, "100#00")).read_text()
    two = text_log(tmp_path / "b", (2, "100#00"), channel="can1").read_text()
    path = tmp_path / "d.log"
    path.write_text(one + two)
    found = replay_bare(path, BIT_RATE)
    assert found.heard == {"can0": [2, 2], "can1": [1, 1]}
    assert found.shift.moved == 0
    assert replay_bare(path, BIT_RATE, Part(channel="can1")).heard == {"can1": [1, 1]}


def test_a_part_of_a_log_is_played(tmp_path):
    path = text_log(tmp_path / "d.log", *((n, f"{0x100 + n:03X}#") for n in range(10)))
    part = Part(from_ns=3_000 * MS, to_ns=6_000 * MS, left_out=frozenset({0x105}))
    assert replay_bare(path, BIT_RATE, part).heard == {"can0": [3, 3]}


def test_the_bundled_drive_comes_as_it_was_logged():
    """It was on this bus before: nothing has to wait, but for what the log rounded."""
    found = replay_bare(DRIVE, BIT_RATE, Part(to_ns=20_000 * MS))
    assert found.shift.lost == 0
    assert found.shift.most_ns <= 2_000


@pytest.mark.parametrize(
    ("name", "bit_rate", "frames"),
    [("rav4/rav4_pt.log", 500_000, 11_000), ("boat/can0-2.from-pcap.log", 250_000, 7_000)],
)
def test_real_recordings_are_replayed(name, bit_rate, frames):
    """Their times are those of an adapter that hands frames over in bursts, so many wait."""
    found = replay_bare(real(name), bit_rate, Part(to_ns=10_000 * MS))
    assert found.shift.lost == 0
    assert found.shift.sent > frames
    assert set(map(len, found.heard.values())) == {2}
