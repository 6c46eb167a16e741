"""Frames as the SocketCAN tools show them on a screen."""

from __future__ import annotations

import pytest
from damage_lab import CUTS, lines_told
from hypothesis import HealthCheck, given, settings

from linkloss.bus import FdFrame, Frame
from linkloss.cli import main
from linkloss.logs.printed import ADDED_UP, FLAGLESS, TIMELESS, UNSURE
from linkloss.logs.source import LogFile
from linkloss.logs.stream import Tally, frames
from linkloss.problem import BadInput

SHOWN = [
    ("can0  123   [2]  11 22", Frame(0x123, b"\x11\x22")),
    ("can0  18DAF110   [0]", Frame(0x18DAF110, extended=True)),
    ("can0  124   [4]  remote request", Frame(0x124, remote=True, dlc=4)),
    ("can0  125   {D}  00 01 02 03 04 05 06 07", Frame(0x125, bytes(range(8)), dlc=13)),
    ("can0  RX - -  126   [3]  41 42 43   'ABC'", Frame(0x126, b"ABC")),
    ("can0  TX B E  127  [12]  " + " ".join(["5A"] * 12), FdFrame(
        0x127, b"\x5a" * 12, bit_rate_switch=True, error_state_indicator=True)),
    ("\x1b[31mcan0  128   [1]  07\x1b[0m", Frame(0x128, b"\x07")),
]  # fmt: skip
ERROR = "can0  20000080   [8]  00 00 00 00 00 00 00 00   ERRORFRAME"


def log_of(path, *lines):
    path.write_text("".join(f"{line}\n" for line in lines))
    return path


def read(path, **options):
    log, tally = LogFile(path), Tally()
    return list(frames(log, tally, fd=True, **options)), [*log.notes(), *tally.notes()]


@pytest.mark.parametrize("name", ["d.log", "d.txt"])
def test_every_kind_of_frame_is_read(tmp_path, name):
    lines = [f" (1700000000.{n:06d})  {text}" for n, (text, _) in enumerate(SHOWN)]
    lines.append(f" (1700000001.000000)  {ERROR}")
    found, notes = read(log_of(tmp_path / name, *lines))
    assert [frame for _, frame, _ in found] == [frame for _, frame in SHOWN]
    assert [at for at, _, _ in found] == [n * 1000 for n in range(len(SHOWN))]
    assert {channel for _, _, channel in found} == {"can0"}
    assert notes == ["1 error frame left out"]


def test_a_compact_log_may_be_called_txt(tmp_path):
    found, notes = read(log_of(tmp_path / "d.txt", "(1.000000) can0 123#11"))
    assert (str(found[0][1]), notes) == ("123#11", [])


def test_a_frame_of_can_fd_without_flags_is_told(tmp_path):
    line = "  can0  127  [08]  00 00 00 00 00 00 00 00"
    found, notes = read(log_of(tmp_path / "d.log", f" (1700000000.000000){line}"))
    assert found[0][1] == FdFrame(0x127, bytes(8))
    assert notes == [FLAGLESS]


def test_times_from_the_beginning_and_spans_are_told_apart(tmp_path):
    rows = [("00", 0)] + [("11", 10_000 + n * 7 % 5) for n in range(60)]
    total = 0
    absolute, spans, dated = [], [], []
    for byte, span in rows:
        total += span
        shown = f"can0  123   [1]  {byte}"
        spans.append(f" (000.{span:06d})  {shown}")
        absolute.append(f" (000.{total:06d})  {shown}")
        dated.append(f" (2024-02-29 23:59:59.{total:06d})  {shown}")
    one, notes_one = read(log_of(tmp_path / "a.log", *absolute))
    two, notes_two = read(log_of(tmp_path / "b.log", *spans))
    three, notes_three = read(log_of(tmp_path / "c.log", *dated))
    assert one == two == three
    assert one[-1][0] == total * 1000
    assert (notes_one, notes_two, notes_three) == ([], [ADDED_UP], [])
    assert read(log_of(tmp_path / "d.log", *absolute[:5]))[1] == [UNSURE]


def test_without_times_a_log_is_described_and_nothing_else(tmp_path, capsys):
    path = log_of(tmp_path / "d.log", *(f"  {text}" for text, _ in SHOWN))
    with pytest.raises(BadInput, match="its frames have no times; expected a log with a time"):
        read(path)
    found, notes = read(path, timeless=True)
    assert [frame for _, frame, _ in found] == [frame for _, frame in SHOWN]
    assert notes == [TIMELESS]
    assert main(["describe", str(path), "--json", str(tmp_path / "d.json")]) == 0
    out = capsys.readouterr().out
    assert "7 frames of 7 identifiers on channel can0\n" in out
    assert "Bus load" not in out
    assert TIMELESS in out
    assert '"lasted_ns": null' in (tmp_path / "d.json").read_text()
    for command in (["replay", str(path)], ["compare", str(path), str(path)]):
        assert main(command) == 2
        assert "its frames have no times" in " ".join(capsys.readouterr().err.split())


def test_a_line_without_a_time_among_others_is_counted(tmp_path):
    shown = "can0  123   [1]  00"
    lines = [f" (1700000000.000000)  {shown}", f"  {shown}", " (x)  " + shown, "junk", ""]
    lines += [" (1700000000.000001)  can0  123   [2]  00", f" (1700000001.000000)  {shown}"]
    found, notes = read(log_of(tmp_path / "d.log", *lines))
    assert len(found) == 2
    assert notes == [
        (
            "4 unreadable lines skipped, the first: line 2: got 'can0 123 [1] 00'; expected"
            " '(SECONDS) CHANNEL ID [LENGTH] BYTES'"
        )
    ]


@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(cuts=CUTS)
def test_no_damage_is_silent(tmp_path, cuts):
    """Each line is a frame, or counted."""
    lines = [f" (1700000000.{n:06d})  {text}\n" for n, (text, _) in enumerate(SHOWN * 4)]
    told = lines_told(tmp_path / "d.log", "".join(lines), cuts)
    if told is not None:
        lines, counted = told
        assert counted == len(lines)
