"""Recordings as logs, read back by python-can; what each format loses is part of the contract."""

from __future__ import annotations

import time

import can
import pytest
from report_values import recording

from linkloss.bus import RecordList
from linkloss.problem import BadInput
from linkloss.recording import Recording
from linkloss.report.export import FORMATS, LOSSES, ensure_format, log_messages, losses, write_log

DROPS_TROUBLE = {".trc"}
KEEPS_CHANNEL = {".log", ".log.gz"}
READ_BACK = [suffix for suffix in FORMATS if suffix != ".pcap"]
"""What python-can reads; packets are held against another reader in tests/against."""
TEXT = [suffix for suffix in READ_BACK if suffix not in (".blf", ".mf4", ".db")]


def read(path) -> list[can.Message]:
    reader = can.LogReader(path)
    try:
        return list(reader)
    finally:
        reader.stop()


def content(message: can.Message) -> tuple:
    if message.is_error_frame:
        return ("error",)
    return (
        message.arbitration_id,
        message.is_extended_id,
        message.is_remote_frame,
        bytes(message.data),
    )


def written(folder, suffix: str, source: Recording | None = None) -> list[can.Message]:
    path = folder / f"drive{suffix}"
    write_log(recording() if source is None else source, "car", path)
    return read(path)


@pytest.fixture(autouse=True)
def _needs_library(request):
    if ".mf4" in request.node.name:
        pytest.importorskip("asammdf")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.parametrize("suffix", READ_BACK)
def test_a_log_reads_back_with_contents_and_times(tmp_path, suffix):
    wanted = list(log_messages(recording(), "car", trouble=suffix not in DROPS_TROUBLE))
    found = written(tmp_path, suffix)
    assert [content(message) for message in found] == [content(message) for message in wanted]
    for message, source in zip(found, wanted, strict=True):
        assert message.timestamp == pytest.approx(source.timestamp, abs=2e-9)


def test_timestamps_are_virtual_seconds_at_the_end_of_the_frame():
    assert [message.timestamp for message in log_messages(recording(), "car")] == [
        0.020348,
        0.0301,
        0.0402,
        0.0505,
    ]


def test_frames_of_two_segments_are_in_order_of_their_ends():
    source = recording()
    source.frames = RecordList(reversed(source.frames))
    times = [message.timestamp for message in log_messages(source, "car")]
    assert times == sorted(times)


@pytest.mark.parametrize("suffix", [suffix for suffix in READ_BACK if suffix not in DROPS_TROUBLE])
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_failed_attempt_is_an_error_frame(tmp_path, suffix):
    assert [message.is_error_frame for message in written(tmp_path, suffix)] == [
        False,
        True,
        False,
        False,
    ]


def test_trc_loses_error_frames_and_remote_frames_and_nothing_else(tmp_path):
    assert [message.arbitration_id for message in written(tmp_path, ".trc")] == [256, 0x1ABCDE01]


@pytest.mark.parametrize("suffix", [".csv", ".db"])
def test_tables_lose_channel_and_direction(tmp_path, suffix):
    found = {(message.channel, message.is_rx) for message in written(tmp_path, suffix)}
    assert found == {(None, True)}


def test_a_database_holds_every_frame_of_a_long_run(tmp_path):
    source = recording()
    source.frames = RecordList(record for _ in range(5_000) for record in list(source.frames))
    assert len(written(tmp_path, ".db", source)) == len(source.frames)


@pytest.mark.parametrize("suffix", FORMATS)
def test_what_a_format_cannot_hold_is_said(suffix):
    kind = suffix.removesuffix(".gz")
    assert losses(f"drive{suffix}") == f"drive{suffix}: of the format '{kind}': {LOSSES[kind]}"


@pytest.mark.parametrize("suffix", sorted(KEEPS_CHANNEL))
def test_the_text_log_keeps_the_name_of_the_channel(tmp_path, suffix):
    frames = [message for message in written(tmp_path, suffix) if not message.is_error_frame]
    assert {message.channel for message in frames} == {"car"}


@pytest.mark.parametrize(("suffix", "number"), [(".asc", 0), (".blf", 0), (".trc", 1)])
def test_other_formats_number_the_channel(tmp_path, suffix, number):
    frames = [message for message in written(tmp_path, suffix) if not message.is_error_frame]
    assert {message.channel for message in frames} == {number}


@pytest.mark.parametrize("suffix", [*TEXT, ".blf", ".db"])
def test_a_log_is_the_same_bytes_every_time_wherever_it_lies(tmp_path, suffix):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        write_log(recording(), "car", tmp_path / name / f"drive{suffix}")
    one, two = ((tmp_path / name / f"drive{suffix}").read_bytes() for name in ("one", "two"))
    assert one == two


def test_a_packed_log_carries_no_date(tmp_path):
    """Bytes 4 to 7 are the time of packing, zero for none (RFC 1952, section 2.3.1)."""
    write_log(recording(), "car", tmp_path / "drive.log.gz")
    assert (tmp_path / "drive.log.gz").read_bytes()[4:8] == bytes(4)


@pytest.mark.parametrize("suffix", TEXT[:4])
def test_a_text_log_does_not_depend_on_the_time_zone(tmp_path, suffix, monkeypatch):
    texts = set()
    for zone in ("UTC", "Pacific/Auckland"):
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        write_log(recording(), "car", tmp_path / f"drive{suffix}")
        texts.add((tmp_path / f"drive{suffix}").read_bytes())
    monkeypatch.undo()
    time.tzset()
    assert len(texts) == 1


@pytest.mark.parametrize("suffix", FORMATS)
def test_a_recording_without_a_frame_makes_a_log_without_one(tmp_path, suffix):
    path = tmp_path / f"empty{suffix}"
    write_log(Recording("Tiny", 0), "car", path)
    assert path.is_file()


@pytest.mark.parametrize("name", ["drive.LOG", "a.b.log", "drive.asc.GZ"])
def test_the_extension_may_be_in_capitals_and_the_name_may_hold_dots(name):
    assert ensure_format(name) in FORMATS


@pytest.mark.parametrize(
    ("name", "text"),
    [
        (
            "drive.lgo",
            (
                "drive.lgo: unknown format of a log '.lgo'; expected one of: .log, .asc, .blf,"
                " .csv, .trc, .mf4, .db, .pcap, .log.gz, .asc.gz, .csv.gz (did you mean '.log'?)"
            ),
        ),
        (
            "drive",
            (
                "drive: the name has no extension; expected one of: .log, .asc, .blf, .csv, .trc,"
                " .mf4, .db, .pcap, .log.gz, .asc.gz, .csv.gz"
            ),
        ),
    ],
)
def test_a_format_that_cannot_be_written_is_refused_with_the_reason(tmp_path, name, text):
    with pytest.raises(BadInput) as caught:
        ensure_format(name)
    assert str(caught.value) == text
    with pytest.raises(BadInput):
        write_log(recording(), "car", tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_a_blf_log_cannot_be_packed():
    with pytest.raises(BadInput, match=r"unknown format of a log '\.blf\.gz'"):
        ensure_format("drive.blf.gz")


def test_a_missing_library_is_named(monkeypatch):
    monkeypatch.setattr("linkloss.report.export.find_spec", lambda _: None)
    with pytest.raises(BadInput, match=r"pip install 'linkloss\[mf4\]'"):
        ensure_format("drive.mf4")


def test_a_log_that_cannot_be_written_leaves_the_earlier_one(tmp_path, monkeypatch):
    path = tmp_path / "drive.log"
    path.write_text("earlier")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(can.CanutilsLogWriter, "on_message_received", full)
    with pytest.raises(BadInput, match="No space left"):
        write_log(recording(), "car", path)
    assert path.read_text() == "earlier"
    assert list(tmp_path.iterdir()) == [path]
