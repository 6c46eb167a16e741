"""Data length codes above 8 of classical frames in an .asc."""

from __future__ import annotations

import pytest

from linkloss.bus import Frame
from linkloss.logs.source import LogFile
from linkloss.logs.stream import Tally, frames

EIGHT = bytes(range(8))


def read(path, *lines, base="hex"):
    head = f"date Sat Sep 30 15:06:13.191 2017\nbase {base}  timestamps absolute\n"
    path.write_text(head + "no internal events logged\n" + "".join(f"{line}\n" for line in lines))
    log, tally = LogFile(path), Tally()
    return [frame for _, frame, _ in frames(log, tally)], [*log.notes(), *tally.notes()]


@pytest.mark.parametrize("code", range(9, 16))
def test_they_are_frames_of_eight_bytes(tmp_path, code):
    found, notes = read(
        tmp_path / "d.asc",
        f"   1.000000 1  123             Rx   d {code:X} {EIGHT.hex(' ')}",
        f"   2.000000 1  18DAF110x       Tx   d {code:x} {EIGHT.hex(' ')}  Length = 0",
        f"   3.000000 1  124             Rx   r {code:X}",
        "   4.000000 1  125             Rx   r",
    )
    assert found == [
        Frame(0x123, EIGHT, dlc=code),
        Frame(0x18DAF110, EIGHT, extended=True, dlc=code),
        Frame(0x124, remote=True, dlc=code),
        Frame(0x125, remote=True, dlc=0),
    ]
    assert notes == []


def test_they_may_be_decimal(tmp_path):
    line = "   1.000000 1  291             Rx   d 13 0 1 2 3 4 5 6 7"
    assert read(tmp_path / "d.asc", line, base="dec")[0] == [Frame(0x123, EIGHT, dlc=13)]


def test_one_with_fewer_bytes_is_counted(tmp_path):
    good = "   0.500000 1  123             Rx   d 1 00"
    found, notes = read(
        tmp_path / "d.asc", good, f"   1.000000 1  123             Rx   d D {EIGHT[:7].hex(' ')}"
    )
    assert len(found) == 1
    assert notes == [
        "1 message left out, not valid frames; the first: DLC 13 goes with 8 bytes of data, not 7"
    ]
