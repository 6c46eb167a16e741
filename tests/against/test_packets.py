"""Frames as packets against tshark, an independent reader of captures."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from random import Random

import pytest

from linkloss.bus import BusRecord, FdFrame, Frame
from linkloss.bus.bits import LENGTHS
from linkloss.recording import Recording
from linkloss.report.export import write_log

READER = shutil.which("tshark")
pytestmark = pytest.mark.skipif(READER is None, reason="tshark is not installed")

FIELDS = (
    "frame.time_epoch", "can.id", "can.flags.xtd", "can.flags.rtr", "can.flags.err", "can.len",
    "data.data",
)  # fmt: skip


def read(path: Path, *more: str) -> list[list[str]]:
    command = [READER, "-r", str(path), "-T", "fields"]
    for name in (*FIELDS, *more):
        command += ["-e", name]
    ran = subprocess.run(command, capture_output=True, text=True, check=True, timeout=120)
    return [line.split("\t") for line in ran.stdout.splitlines()]


def drawn(random: Random) -> Frame:
    if random.random() < 0.1:
        return Frame(random.randrange(0x800), remote=True, dlc=random.randrange(9))
    data = random.randbytes(random.randrange(9))
    if random.random() < 0.4:
        return Frame(random.randrange(1 << 29), data, extended=True)
    return Frame(random.randrange(0x800), data)


def test_two_thousand_frames_read_back_as_they_were_written(tmp_path):
    random = Random(7)
    frames = [drawn(random) for _ in range(2_000)]
    recording = Recording("v", 0)
    recording.frames = [
        BusRecord(n * 1_000_001, n * 1_000_001 + 123_457, "a", frame, ("b",))
        for n, frame in enumerate(frames)
    ]
    write_log(recording, "car", tmp_path / "drive.pcap")
    rows = read(tmp_path / "drive.pcap")
    assert len(rows) == len(frames)
    for row, record in zip(rows, recording.frames, strict=True):
        frame = record.frame
        time, identifier, extended, remote, error, length, data = row
        assert round(float(time) * 1e9) == pytest.approx(record.end_ns, abs=1)
        assert int(identifier, 0) == frame.identifier
        assert (int(extended), int(remote), int(error)) == (frame.extended, frame.remote, 0)
        assert int(length) == frame.dlc
        assert frame.remote or bytes.fromhex(data) == frame.data


def test_an_attempt_that_failed_is_an_error_frame(tmp_path):
    recording = Recording("v", 0)
    recording.frames = [BusRecord(0, 5_000, "a", Frame(0x100), (), "ack")]
    write_log(recording, "car", tmp_path / "drive.pcap")
    ((_, _, _, _, error, length, _),) = read(tmp_path / "drive.pcap")
    assert (error, length) == ("1", "8")


def test_can_fd_frames_are_told_with_their_flags(tmp_path):
    random = Random(8)
    frames = [
        FdFrame(
            random.randrange(1 << 29),
            random.randbytes(size),
            extended=True,
            bit_rate_switch=random.random() < 0.5,
            error_state_indicator=random.random() < 0.5,
        )
        for size in LENGTHS * 10
    ]
    recording = Recording("v", 0)
    recording.frames = [BusRecord(n * 9_000, n * 9_000, "a", f, ()) for n, f in enumerate(frames)]
    write_log(recording, "car", tmp_path / "drive.pcap")
    rows = read(tmp_path / "drive.pcap", "canfd.flags.brs", "canfd.flags.esi")
    assert len(rows) == len(frames)
    for row, frame in zip(rows, frames, strict=True):
        *_, length, data, switch, passive = row
        assert int(row[1], 0) == frame.identifier
        assert (int(length), bytes.fromhex(data)) == (len(frame.data), frame.data)
        assert (int(switch), int(passive)) == (frame.bit_rate_switch, frame.error_state_indicator)
