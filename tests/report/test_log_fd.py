"""CAN FD frames and unusual length codes in logs: what each format keeps, read back."""

from __future__ import annotations

import json

import can
import pytest

from linkloss.bus import BusRecord, FdFrame, Frame
from linkloss.logs.source import LogFile
from linkloss.logs.stream import Tally, frames
from linkloss.recording import FrameRow, Recording, recording_fields, recording_form
from linkloss.report.export import write_log

SENT = [
    Frame(0x100, b"\x01\x02"),
    FdFrame(0x123, bytes(range(64)), bit_rate_switch=True),
    FdFrame(0x18DAF110, bytes(range(12)), extended=True),
    FdFrame(0x124, b"", error_state_indicator=True),
    FdFrame(0x125, bytes(8), bit_rate_switch=True, error_state_indicator=True),
]
RAW = [Frame(0x100, bytes(range(8)), dlc=dlc) for dlc in range(8, 16)]
REMOTE = [Frame(0x101, remote=True, dlc=dlc) for dlc in range(16)]
CARRY_FD = [".log", ".asc", ".blf", ".log.gz"]
CARRY_RAW = [".log", ".blf", ".csv", ".db", ".log.gz"]


def recording(sent: list[Frame]) -> Recording:
    found = Recording("v", 0)
    found.frames.extend(
        BusRecord(n * 1_000_000, n * 1_000_000 + 200_000, "a", frame, ("b",))
        for n, frame in enumerate(sent)
    )
    return found


def read(document: dict[str, object]) -> Recording:
    return recording_form().validate_json(json.dumps(document), strict=True)


def read_back(folder, suffix: str, sent: list[Frame]) -> list[Frame]:
    path = folder / f"drive{suffix}"
    write_log(recording(sent), "car", path)
    return [frame for _, frame, _ in frames(LogFile(path), Tally(), fd=True)]


@pytest.mark.parametrize("suffix", CARRY_FD)
def test_formats_that_carry_can_fd(tmp_path, suffix):
    # python-can's reader of .asc (4.6.1) passes over a CAN FD frame without data
    sent = [frame for frame in SENT if frame.data or suffix != ".asc"]
    assert read_back(tmp_path, suffix, sent) == sent


@pytest.mark.filterwarnings("ignore")
def test_mf4_carries_can_fd(tmp_path):
    pytest.importorskip("asammdf")
    assert sorted(map(str, read_back(tmp_path, ".mf4", SENT))) == sorted(map(str, SENT))


@pytest.mark.parametrize("suffix", [".csv", ".db", ".trc"])
def test_the_others_leave_them_out(tmp_path, suffix):
    assert read_back(tmp_path, suffix, SENT) == SENT[:1]


@pytest.mark.parametrize("suffix", CARRY_RAW)
def test_length_codes_above_eight_come_back_as_they_were(tmp_path, suffix):
    assert read_back(tmp_path, suffix, RAW) == RAW


@pytest.mark.parametrize("suffix", [".asc", ".trc"])
def test_or_as_eight(tmp_path, suffix):
    assert read_back(tmp_path, suffix, RAW) == [RAW[0]] * len(RAW)


@pytest.mark.parametrize("suffix", CARRY_RAW)
def test_remote_frames_keep_what_they_ask_for(tmp_path, suffix):
    assert read_back(tmp_path, suffix, REMOTE) == REMOTE


def test_the_text_of_unusual_frames(tmp_path):
    path = tmp_path / "drive.log"
    write_log(recording([REMOTE[4], REMOTE[12], RAW[7], SENT[3]]), "car", path)
    assert [line.split()[2] for line in path.read_text().splitlines()] == [
        "101#R4",
        "101#R8_C",
        "100#0001020304050607_F",
        "124##2",
    ]


def test_python_can_reads_our_can_fd_lines(tmp_path):
    path = tmp_path / "drive.log"
    write_log(recording(SENT), "car", path)
    with can.LogReader(path) as reader:
        found = [
            (m.is_fd, m.bitrate_switch, m.error_state_indicator, bytes(m.data)) for m in reader
        ]
    assert found[1] == (True, True, False, bytes(range(64)))
    assert found[3] == (True, False, True, b"")


def test_without_can_fd_they_are_left_out_and_counted(tmp_path):
    path = tmp_path / "drive.log"
    write_log(recording(SENT), "car", path)
    tally = Tally()
    assert [frame for _, frame, _ in frames(LogFile(path), tally)] == SENT[:1]
    assert tally.notes() == ["4 CAN FD frames left out: no controller here supports CAN FD"]


def test_a_recording_as_json_reads_back_the_same():
    made = recording([*SENT, RAW[3], REMOTE[9]])
    document = recording_fields(made)
    assert read(document).frames == made.frames
    assert FrameRow._fields[-1] == "fd"
    assert [row[-1] for row in document["frames"][:3]] == [
        None,
        [True, False],
        [False, False],
    ]


def test_a_recording_from_before_there_was_can_fd_reads_too():
    made = recording([SENT[0]])
    document = recording_fields(made)
    document["frames"] = [row[:-1] for row in document["frames"]]
    assert read(document).frames == made.frames
