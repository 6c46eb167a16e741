"""Reading logs: every format, and every way in which a file can be broken."""

from __future__ import annotations

import gzip
import io
import sqlite3

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from replay_lab import WRITERS, messages, real, text_log, written

from linkloss.bus.message import entries
from linkloss.logs.source import READABLE, LogFile
from linkloss.logs.stream import Tally, _taken, frames
from linkloss.problem import BadInput

TEXT = (".log", ".csv", ".asc", ".trc")
SOME = settings(
    max_examples=700, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def read(path):
    log, tally = LogFile(path), Tally()
    return list(frames(log, tally)), [*log.notes(), *tally.notes()]


def contents(path):
    return [(f.identifier, f.extended, f.data) for _, f, _ in read(path)[0]]


WANTED = [(m.arbitration_id, m.is_extended_id, bytes(m.data)) for m in messages()]


@pytest.mark.parametrize("suffix", WRITERS)
def test_every_format_that_is_written_is_read_without_a_note(tmp_path, suffix):
    path = written(tmp_path / f"drive{suffix}", messages())
    assert contents(path) == WANTED
    assert read(path)[1] == []


@pytest.mark.parametrize("suffix", [*TEXT, ".blf"])
def test_a_packed_log_reads_like_the_plain_one(tmp_path, suffix):
    plain = written(tmp_path / f"drive{suffix}", messages())
    packed = tmp_path / f"drive{suffix}.gz"
    packed.write_bytes(gzip.compress(plain.read_bytes()))
    assert read(packed) == read(plain)


def test_a_database_and_an_mf4_are_read(tmp_path):
    with sqlite3.connect(tmp_path / "drive.db") as table:
        table.execute(
            "CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended INTEGER,"
            " remote INTEGER, error INTEGER, dlc INTEGER, data BLOB)"
        )
        rows = [
            (m.timestamp, m.arbitration_id, m.is_extended_id, 0, 0, m.dlc, bytes(m.data))
            for m in messages()
        ]
        table.executemany("INSERT INTO messages VALUES (?,?,?,?,?,?,?)", rows)
    table.close()
    assert contents(tmp_path / "drive.db") == WANTED


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_an_mf4_is_read(tmp_path):
    pytest.importorskip("asammdf")
    with can.MF4Writer(tmp_path / "drive.mf4") as writer:
        for message in messages():
            writer.on_message_received(message)
    assert contents(tmp_path / "drive.mf4") == WANTED


@pytest.mark.parametrize("suffix", TEXT)
def test_lines_of_damage_are_counted_and_the_rest_is_read(tmp_path, suffix):
    path = written(tmp_path / f"drive{suffix}", messages())
    lines = path.read_text().splitlines(keepends=True)
    lines[-10] = "garbage that nobody can read\n"
    lines[-20] = lines[-20].rstrip()[:-1] + "z\n"
    path.write_text("".join(lines))
    found, notes = read(path)
    assert len(found) == len(WANTED) - 2
    assert any("unreadable line" in note or "held no frame" in note for note in notes)
    counted = LogFile(path)
    for _ in counted.entries():
        pass
    assert counted.unreadable + counted.passed_over == 2


@pytest.mark.parametrize("suffix", TEXT)
def test_a_text_that_was_cut_off_says_so(tmp_path, suffix):
    path = written(tmp_path / f"drive{suffix}", messages())
    path.write_bytes(path.read_bytes()[:-30])
    found, notes = read(path)
    assert len(found) >= len(WANTED) - 3
    assert "its last line has no line end; it may have been cut off" in notes


def test_a_blf_that_was_cut_off_says_how_much_is_there(tmp_path):
    path = written(tmp_path / "drive.blf", messages(5000))
    whole = path.stat().st_size
    path.write_bytes(path.read_bytes()[: whole * 6 // 10])
    log = LogFile(path)
    found = list(log.entries())
    assert 0 < len(found) < 5000
    part = whole * 6 // 10
    assert log.notes() == [
        f"cannot be read after frame {len(found):,}: it has {part} of {whole} bytes"
    ]


def test_a_packed_log_that_was_cut_off_says_where(tmp_path):
    plain = written(tmp_path / "drive.log", messages(20_000))
    path = tmp_path / "cut.log.gz"
    path.write_bytes(gzip.compress(plain.read_bytes())[:50_000])
    found, notes = read(path)
    assert len(found) > 100
    [note] = notes
    assert note.startswith(f"cannot be read after frame {len(found):,}: Compressed file ended")


@pytest.mark.parametrize("suffix", [s for s in READABLE if not s.endswith(".gz")])
def test_garbage_is_told_in_one_line_that_names_the_file(tmp_path, suffix):
    if suffix == ".mf4":
        pytest.importorskip("asammdf")
    path = tmp_path / f"junk{suffix}"
    path.write_bytes(bytes(number * 37 % 256 for number in range(5000)))
    with pytest.raises(BadInput) as caught:
        read(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: not one frame could be read; expected a log in the format")
    assert "\n" not in text


@pytest.mark.parametrize(
    ("name", "content", "text"),
    [
        ("empty.log", b"", "is empty; expected a log"),
        ("folder.log", None, "this is a folder; expected a log"),
        ("missing.log", ..., "there is no such file; expected a log"),
        ("drive.lgo", b"x", "unknown format of a log '.lgo'; expected one of: .log, .csv"),
        ("drive", b"x", "the name has no extension"),
    ],
)
def test_what_is_no_log_is_refused_at_once(tmp_path, name, content, text):
    path = tmp_path / name
    if content is None:
        path.mkdir()
    elif content is not ...:
        path.write_bytes(content)
    with pytest.raises(BadInput) as caught:
        LogFile(path)
    assert text in str(caught.value)


@pytest.mark.parametrize("suffix", [".csv", ".asc", ".trc", ".blf"])
def test_a_log_under_a_wrong_extension_is_told_in_one_line(tmp_path, suffix):
    source = written(tmp_path / "drive.log", messages())
    path = tmp_path / f"wrong{suffix}"
    path.write_bytes(source.read_bytes())
    with pytest.raises(BadInput, match="not one frame could be read"):
        read(path)


def test_a_missing_database_is_not_made(tmp_path):
    with pytest.raises(BadInput):
        LogFile(tmp_path / "drive.db")
    assert list(tmp_path.iterdir()) == []


def test_a_missing_library_is_named(tmp_path, monkeypatch):
    path = tmp_path / "drive.mf4"
    path.write_bytes(b"x")
    monkeypatch.setattr("linkloss.logs.source.find_spec", lambda _: None)
    with pytest.raises(BadInput, match=r"pip install 'linkloss\[mf4\]'"):
        read(path)


@SOME
@given(content=st.binary(min_size=1, max_size=400), suffix=st.sampled_from([*TEXT, ".blf", ".db"]))
def test_no_file_brings_the_reader_down(tmp_path, content, suffix):
    path = tmp_path / f"fuzz{suffix}"
    path.write_bytes(content)
    try:
        read(path)
    except BadInput as error:
        assert "\n" not in str(error)  # noqa: PT017


@SOME
@given(
    suffix=st.sampled_from([*TEXT, ".blf"]),
    cuts=st.lists(
        st.tuples(st.floats(0, 1), st.binary(max_size=8), st.integers(0, 20)), max_size=4
    ),
)
def test_no_damage_to_a_good_log_brings_the_reader_down(tmp_path, suffix, cuts):
    path = written(tmp_path / f"fuzz{suffix}", messages(20))
    content = path.read_bytes()
    for place, patch, removed in cuts:
        at = int(place * len(content))
        content = content[:at] + patch + content[at + removed :]
    path.write_bytes(content or b"x")
    try:
        found, _ = read(path)
    except BadInput as error:
        assert "\n" not in str(error)  # noqa: PT017
    else:
        assert len(found) <= 20 + 4 * 8


HEXES = st.text("0123456789abcdefABCDEF", min_size=0, max_size=18)
LINES = st.one_of(
    st.builds(
        lambda at, head, data, tail: f"({at}) can0 {head}#{data}{tail}",
        st.one_of(
            st.decimals(0, 10**10, places=6).map(str),
            st.sampled_from(["1.5", "nan", "-1.000000", "1e3", "0.000000001", "x"]),
        ),
        st.one_of(
            st.integers(0, 0x1FFF_FFFF).map("{:08X}".format),
            st.integers(0, 0xFFF).map("{:03X}".format),
            st.sampled_from(["20000080", "7FF", "0_1", "-12", "+12", "FFFFFFFF", ""]),
        ),
        st.one_of(HEXES, st.sampled_from(["R", "R4", "#1AABB", "r"])),
        st.sampled_from(["", " R", " T", " X", " r"]),
    ),
    st.text(max_size=30),
)


@settings(max_examples=1500, deadline=None)
@given(line=LINES)
def test_the_quick_way_reads_a_line_as_python_can_does(line):
    """Oracle: python-can's own reader of this format, line by line."""
    line = line.replace("\n", " ").replace("\r", " ")
    found = list(entries([line + "\n"]))
    try:
        expected = list(can.CanutilsLogReader(io.StringIO(line)))
    except Exception:
        expected = None
    if not expected:
        assert all(isinstance(entry, Exception) for entry in found)
        return
    [entry] = found
    own = entry if isinstance(entry, tuple) else _taken(entry, Tally(), fd=True)
    at_ns, frame, channel = _taken(expected[0], Tally(), fd=True)
    assert own[1] == frame
    if frame is not None:
        assert abs(own[0] - at_ns) <= 1000
        assert own[2] == channel


def test_times_of_a_text_log_are_exact_to_the_microsecond(tmp_path):
    path = text_log(
        tmp_path / "d.log", (1669809689.869107, "123#00"), (1669809689.869108, "123#00")
    )
    assert [at_ns for at_ns, _, _ in read(path)[0]] == [0, 1000]


@pytest.mark.parametrize(
    ("name", "count", "notes"),
    [
        ("rav4/rav4_pt.log", 66_234, []),
        (
            "boat/can0-2.from-pcap.log",
            46_843,
            ["323 CAN FD frames left out: no controller here supports CAN FD"],
        ),
    ],
)
def test_real_recordings_are_read_whole(name, count, notes):
    found, said = read(real(name))
    assert (len(found), said) == (count, notes)
