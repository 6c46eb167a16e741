"""Instants, channels, and what is left out of a log and counted."""

from __future__ import annotations

import can
import pytest
from replay_lab import MS, S, text_log, written

from linkloss.logs.source import LogFile
from linkloss.logs.stream import ALL, Tally, frames, instant_ns
from linkloss.problem import BadInput


def read(path, channel=None):
    tally = Tally()
    return [
        (at, str(frame), name) for at, frame, name in frames(LogFile(path), tally, channel)
    ], tally


def test_instants_count_from_the_first_frame_on(tmp_path):
    path = text_log(tmp_path / "d.log", (100.5, "123#00"), (100.75, "123#01"))
    assert [at for at, _, _ in read(path)[0]] == [0, 250 * MS]


def test_seconds_keep_what_a_float_can_hold():
    assert instant_ns(0.123456789) == 123_456_789
    assert instant_ns(1669809689.869107) == 1_669_809_689_869_107_000


def test_a_frame_out_of_order_comes_with_the_one_before_and_is_counted(tmp_path):
    path = text_log(
        tmp_path / "d.log", (1, "123#00"), (1.5, "123#01"), (1.4, "123#02"), (1.6, "123#03")
    )
    found, tally = read(path)
    assert [at for at, _, _ in found] == [0, 500 * MS, 500 * MS, 600 * MS]
    assert tally.notes() == ["1 frame with an earlier time than the one before, by up to 100 ms"]


def test_a_year_of_silence_ends_the_drive(tmp_path):
    path = text_log(tmp_path / "d.log", (1, "123#00"), (2, "123#01"), (2 + 365 * 86400, "123#02"))
    found, tally = read(path)
    assert len(found) == 2
    assert tally.notes() == [
        "the log is silent for 365 days before frame 3, at 1 s: the drive ends there"
    ]


def test_ten_minutes_of_silence_do_not(tmp_path):
    path = text_log(tmp_path / "d.log", (1, "123#00"), (601, "123#01"), (1201.000001, "123#02"))
    found, tally = read(path)
    assert [at for at, _, _ in found] == [0, 600 * S]
    assert tally.ended


def test_a_clock_that_is_set_back_ends_the_drive(tmp_path):
    path = text_log(tmp_path / "d.log", (10, "123#00"), (12, "123#01"), (5, "123#02"))
    found, tally = read(path)
    assert len(found) == 2
    assert "sets its clock back by 7 s before frame 3" in tally.ended


def test_the_channel_of_the_first_frame_is_read_and_others_are_counted(tmp_path):
    one = text_log(tmp_path / "a", (1, "100#"), (3, "100#")).read_text()
    two = text_log(tmp_path / "b", (2, "200#"), channel="can1").read_text()
    first, third = one.splitlines(keepends=True)
    path = tmp_path / "d.log"
    path.write_text(first + two + third)
    assert [frame for _, frame, _ in read(path)[0]] == ["100#", "100#"]
    assert read(path)[1].notes() == ["1 frame of other channels left out; the log has: can0, can1"]
    assert [frame for _, frame, _ in read(path, "can1")[0]] == ["200#"]
    assert [name for _, _, name in read(path, ALL)[0]] == ["can0", "can1", "can0"]
    with pytest.raises(BadInput, match="there is no channel 'x'; expected one of: 'can0', 'can1'"):
        read(path, "x")


def test_what_the_bus_cannot_carry_is_counted(tmp_path):
    found = [
        can.Message(timestamp=1, arbitration_id=0x100, is_extended_id=False, data=b"\1", channel=0),
        can.Message(timestamp=2, is_error_frame=True, channel=0),
        can.Message(timestamp=3, arbitration_id=1, is_fd=True, data=bytes(12), channel=0),
    ]
    _, tally = read(written(tmp_path / "d.blf", found))
    assert tally.notes() == [
        "1 error frame left out",
        "1 CAN FD frame left out: no controller here supports CAN FD",
    ]


def test_a_message_that_can_be_no_frame_is_counted_with_its_reason(tmp_path):
    path = text_log(tmp_path / "d.log", (1, "123#00"), (2, "FFF#00"), (3, "123#" + "00" * 9))
    found, tally = read(path)
    assert len(found) == 1
    assert tally.misfits == 2
    assert tally.first_misfit == "a base identifier is 0x0 to 0x7FF, not 0xfff"


def test_a_remote_frame_is_a_frame(tmp_path):
    assert read(text_log(tmp_path / "d.log", (1, "123#R4")))[0] == [(0, "123#R4", "can0")]
