"""Tables of frames: any order of columns, any of the usual ways to write a number."""

from __future__ import annotations

import csv
import io

import pytest
from damage_lab import CUTS, lines_told
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linkloss.bus import FdFrame, Frame
from linkloss.bus.bits import LENGTHS
from linkloss.logs.source import LogFile
from linkloss.logs.stream import ALL, Tally, frames
from linkloss.problem import BadInput

MS = 1_000_000


def read(path, text):
    path.write_text(text, encoding="utf-8")
    log, tally = LogFile(path), Tally()
    return list(frames(log, tally, ALL, fd=True)), [*log.notes(), *tally.notes()]


@pytest.mark.parametrize(
    "text",
    [
        "time,id,dlc,data\n1,0x1A0,2,11 FF\n1.5,0x200,1,07\n",
        "Time [ms];ID (hex);DLC;D0;D1;D2\n1000;1A0;2;11;FF;\n1500;200;1;07;;\n",
        "\ufeffdata\tarbitration_id_dec\ttimestamp_us\n11FF\t416\t1000000\n07\t512\t1500000\n",
        (
            "# made by hand\nB1,B2,Timestamp_ns,Identifier\n"
            "0x11,0xFF,1000000000,1A0h\n0x7,,1500000000,200h\n"
        ),
        'length;bytes_dec;"id_hex";Time (s)\n2;"17 255";1A0;1,0\n1;7;200;1,5\n',
        "time,id,dlc,data0,data1,data2\n1,1A0,2,17,255,0\n1.5,200,1,7,0,0\n",
    ],
)
def test_the_same_frames_however_they_are_written(tmp_path, text):
    found, notes = read(tmp_path / "d.csv", text)
    assert [frame for _, frame, _ in found] == [Frame(0x1A0, b"\x11\xff"), Frame(0x200, b"\x07")]
    assert [at for at, _, _ in found] == [0, 500 * MS]
    assert notes == []


def test_flags_channels_and_lengths(tmp_path):
    text = (
        "time,bus,id_hex,extended,rtr,fd,brs,esi,error,dlc,data\n"
        "1,a,123,1,0,0,0,0,0,2,1122\n"
        "2,b,124,false,true,0,0,0,0,4,\n"
        "3,b,125,Std,,yes,x,,,9," + "5A" * 12 + "\n"
        "4,b,126,0,0,0,0,0,0,D,0011223344556677\n"
        "5,b,126,0,0,0,0,0,0,13,0011223344556677\n"
        "6,b,0,0,0,0,0,0,1,8,\n"
    )
    found, notes = read(tmp_path / "d.csv", text)
    assert [(frame, channel) for _, frame, channel in found] == [
        (Frame(0x123, b"\x11\x22", extended=True), "a"),
        (Frame(0x124, remote=True, dlc=4), "b"),
        (FdFrame(0x125, b"\x5a" * 12, bit_rate_switch=True), "b"),
        (Frame(0x126, bytes.fromhex("0011223344556677"), dlc=13), "b"),
    ]
    assert notes[0].startswith("1 unreadable line skipped, the first: line 5: got '4,b,126")
    assert notes[1:] == ["1 error frame left out"]


def test_columns_that_are_missing_are_named_beside_those_found(tmp_path):
    with pytest.raises(BadInput) as caught:
        read(tmp_path / "d.csv", "when,id,value\n1,2,3\n")
    assert "lacks a column for 'time', 'data'; found: 'when', 'id', 'value'" in str(caught.value)
    with pytest.raises(BadInput, match=r"lacks a column for 'data1'; found"):
        read(tmp_path / "d.csv", "time,id,d0,d2\n1,2,3,4\n")


@pytest.mark.parametrize(
    "rows,name,taken,wanted",
    [("100,1 12", "id", "decimal", "id_hex"), ("0x100,11 22", "data", "hexadecimal", "data_dec")],
)
def test_what_tells_no_base_is_noted(tmp_path, rows, name, taken, wanted):
    _, notes = read(tmp_path / "d.csv", f"time,id,data\n1,{rows}\n")
    text = f"its column '{name}' was taken as {taken}: nothing in its first lines tells"
    assert f"{text} (if it is not, name it '{wanted}')" in notes


@pytest.mark.parametrize(
    "text,column",
    [
        ("time,id,data0\n1,100,0\n" + "1,101,1\n" * 1200 + "2,1A0,0\n", "id"),
        ("time,id_hex,data0\n1,100,0\n" + "1,101,1\n" * 1200 + "2,101,A\n", "data0"),
        ("time,id_hex,data0,data1\n1,100,0A,200\n", "data0"),
    ],
)
def test_numbers_that_contradict_each_other_are_refused(tmp_path, text, column):
    """Else all identifiers before would have been read wrongly, and nobody told."""
    with pytest.raises(BadInput, match=rf"column '{column}'.* hexadecimal and .* decimal"):
        read(tmp_path / "d.csv", text)


def test_microseconds_are_not_taken_for_seconds(tmp_path):
    with pytest.raises(BadInput, match=r"can be no time in seconds.*'timestamp_us'"):
        read(tmp_path / "d.csv", "timestamp,id_hex,data\n1669809689869107,100,00\n")


def test_lines_of_damage_are_counted(tmp_path):
    rows = [
        "1,100,2,0011", "nan,100,0,", "2,100", "1e999999999,100,0,", "3,FFFFFFFFF,0,", "4,-1,0,",
        "5,1_0,0,", "6,100,3,0011", "7,100,2,00zz", "", "8,100,0,",
    ]  # fmt: skip
    found, notes = read(tmp_path / "d.csv", "time,id_hex,dlc,data\n" + "\n".join(rows) + "\n")
    assert [at // 10**9 for at, _, _ in found] == [0, 7]
    assert notes[0].startswith("8 unreadable lines skipped, the first: line 3: got 'nan,100,0,'")
    assert len(notes) == 1


FRAMES = st.one_of(
    st.builds(Frame, st.integers(0, 0x7FF), st.binary(max_size=8)),
    st.builds(Frame, st.integers(0, 0x1FFFFFFF), st.binary(max_size=8), st.just(True)),
    st.builds(
        FdFrame,
        st.integers(0, 0x7FF),
        st.sampled_from(LENGTHS).map(lambda size: bytes(range(size))),
    ),
)


@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    found=st.lists(FRAMES, min_size=1, max_size=20),
    order=st.permutations(["time_ms", "ID_hex", "length", "data_hex", "extended", "fd"]),
    separator=st.sampled_from(",;\t"),
)
def test_what_is_written_is_read(tmp_path, found, order, separator):
    text = io.StringIO()
    writer = csv.DictWriter(text, order, delimiter=separator)
    writer.writeheader()
    for number, frame in enumerate(found):
        writer.writerow(
            {
                "time_ms": f"{number}.25", "ID_hex": f"{frame.identifier:X}",
                "length": len(frame.data), "data_hex": frame.data.hex(" "),
                "extended": int(frame.extended), "fd": int(frame.fd),
            }
        )  # fmt: skip
    rows, notes = read(tmp_path / "d.csv", text.getvalue())
    assert [frame for _, frame, _ in rows] == found
    assert [at for at, _, _ in rows] == [number * MS for number in range(len(found))]
    assert notes == []


@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(cuts=CUTS)
def test_no_damage_is_silent(tmp_path, cuts):
    """Each line behind the first is a frame, or counted."""
    text = "time,id,dlc,data\n" + "".join(f"{n}.5,0x{n:X},2,00{n:02X}\n" for n in range(30))
    told = lines_told(tmp_path / "d.csv", text, cuts)
    if told is not None:
        lines, counted = told
        assert counted == sum(1 for line in lines if not line.startswith("#")) - 1
