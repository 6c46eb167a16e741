"""Frames as packets against tshark and its companions, which read and write captures."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from random import Random

import pytest

from linkloss.bus import BusRecord, FdFrame, Frame
from linkloss.bus.bits import LENGTHS
from linkloss.logs.source import LogFile
from linkloss.logs.stream import Tally, frames
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
    recording.frames.extend(
        BusRecord(n * 1_000_001, n * 1_000_001 + 123_457, "a", frame, ("b",))
        for n, frame in enumerate(frames)
    )
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
    recording.frames.append(BusRecord(0, 5_000, "a", Frame(0x100), (), "ack"))
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
    recording.frames.extend(
        BusRecord(n * 9_000, n * 9_000, "a", f, ()) for n, f in enumerate(frames)
    )
    write_log(recording, "car", tmp_path / "drive.pcap")
    rows = read(tmp_path / "drive.pcap", "canfd.flags.brs", "canfd.flags.esi")
    assert len(rows) == len(frames)
    for row, frame in zip(rows, frames, strict=True):
        *_, length, data, switch, passive = row
        assert int(row[1], 0) == frame.identifier
        assert (int(length), bytes.fromhex(data)) == (len(frame.data), frame.data)
        assert (int(switch), int(passive)) == (frame.bit_rate_switch, frame.error_state_indicator)


def ours(path: Path) -> list[tuple[int, Frame, str]]:
    log, tally = LogFile(path), Tally()
    found = list(frames(log, tally, fd=True))
    assert [*log.notes(), *tally.notes()] == []
    return found


def mixed(random: Random, count: int) -> Recording:
    """A frame each 12.345678 ms, classical or CAN FD."""
    recording = Recording("v", 0)
    for number in range(1, count + 1):
        frame = drawn(random)
        if random.random() < 0.3:
            size = random.choice(LENGTHS)
            switch = random.random() < 0.5
            frame = FdFrame(random.randrange(0x800), random.randbytes(size), bit_rate_switch=switch)
        at_ns = number * 12_345_678
        recording.frames.append(BusRecord(at_ns, at_ns, "a", frame, ()))
    return recording


CONVERTED = ("pcap", "nsecpcap", "pcapng")


@pytest.mark.parametrize("kind", CONVERTED)
def test_what_editcap_writes_is_read_as_tshark_reads_it(tmp_path, kind):
    converter = shutil.which("editcap")
    if converter is None:
        pytest.skip("editcap is not installed")
    recording = mixed(Random(9), 1_000)
    write_log(recording, "car", tmp_path / "drive.pcap")
    path = tmp_path / f"other.{'pcapng' if kind == 'pcapng' else 'pcap'}"
    command = [converter, "-F", kind, str(tmp_path / "drive.pcap"), str(path)]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    rows, found = read(path), ours(path)
    assert [frame for _, frame, _ in found] == [record.frame for record in recording.frames]
    first_ns = round(float(rows[0][0]) * 1e9)
    for (time, identifier, extended, remote, _, length, data), (at_ns, frame, _) in zip(
        rows, found, strict=True
    ):
        assert abs(round(float(time) * 1e9) - first_ns - at_ns) <= 1
        assert (int(identifier, 0), int(length)) == (frame.identifier, frame.head.size or frame.dlc)
        assert (int(extended), int(remote or 0)) == (frame.extended, frame.remote)
        assert frame.remote or bytes.fromhex(data) == frame.data


def test_two_interfaces_merged_into_one_capture_stay_apart(tmp_path):
    merger = shutil.which("mergecap")
    if merger is None:
        pytest.skip("mergecap is not installed")
    for number in (1, 2):
        write_log(mixed(Random(number), 200), "car", tmp_path / f"{number}.pcap")
    path = tmp_path / "both.pcapng"
    command = [merger, "-I", "none", "-F", "pcapng", "-w", str(path)]
    command += [str(tmp_path / "1.pcap"), str(tmp_path / "2.pcap")]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    rows = read(path, "frame.interface_id")
    counts = {"0": 0, "1": 0}
    log = LogFile(path)
    for entry, row in zip(log.entries(), rows, strict=True):
        assert isinstance(entry, tuple)
        assert entry[2] == row[-1]
        assert entry[1].identifier == int(row[1], 0)
        counts[entry[2]] += 1
    assert counts == {"0": 200, "1": 200}
    assert log.notes() == []


@pytest.mark.parametrize("kind", ["pcap", "pcapng"])
def test_packets_made_from_text_are_read(tmp_path, kind):
    maker = shutil.which("text2pcap")
    if maker is None:
        pytest.skip("text2pcap is not installed")
    text = tmp_path / "hex.txt"
    text.write_text("000000 00 00 01 23 02 00 00 00 AA BB 00 00 00 00 00 00\n" * 3)
    path = tmp_path / f"made.{kind}"
    command = [maker, "-q", "-l", "227", "-F", kind, str(text), str(path)]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    assert len(read(path)) == 3
    assert [frame for _, frame, _ in ours(path)] == [Frame(0x123, b"\xaa\xbb")] * 3
