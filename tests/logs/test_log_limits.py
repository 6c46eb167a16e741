"""Logs that are too much of something: lines, bytes, what they unpack to."""

from __future__ import annotations

import gzip
import struct
import tracemalloc
import zlib

import pytest
from replay_lab import messages, text_log, written

from linkloss.logs.source import Limits, LogFile
from linkloss.problem import BadInput

ROWS = [(number / 100, "123#00") for number in range(100)]


def read(path, limits=None):
    log = LogFile(path) if limits is None else LogFile(path, limits)
    return sum(1 for _ in log.entries()), log.notes()


@pytest.mark.parametrize("line", [30, 64, 1000])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_too_long_a_line_is_one_line_that_cannot_be_read(tmp_path, line, end):
    path = text_log(tmp_path / "d.log", *ROWS)
    lines = path.read_text().splitlines()
    lines[50:50] = ["x" * 5000]
    lines[70:70] = ["y" * 1001, "z" * 30]
    path.write_bytes(end.join([*lines, ""]).encode())
    count, notes = read(path, Limits(line=line))
    assert count == 100
    assert notes[0] == f"2 lines longer than {line:,} bytes: the rest of it left out"
    assert notes[1].startswith("3 unreadable lines skipped, the first: line 51: got 'xxxx")
    assert len(notes) == 2


def test_lines_as_long_as_the_limit_are_whole(tmp_path):
    path = text_log(tmp_path / "d.log", *ROWS)
    size = len(path.read_bytes().splitlines(keepends=True)[0])
    assert read(path, Limits(line=size)) == (100, [])


def test_a_file_of_too_many_bytes_ends_there(tmp_path):
    path = text_log(tmp_path / "d.log", *ROWS)
    half = path.stat().st_size // 2
    count, notes = read(path, Limits(line=64, file=half))
    assert 40 < count <= 50
    assert notes == [
        (
            f"cannot be read after frame {count}: it holds more than {half:,} bytes, expected a"
            " log of at most that"
        )
    ]


def test_a_packed_line_without_end_is_refused_in_little_memory(tmp_path):
    path = tmp_path / "d.log.gz"
    packer = zlib.compressobj(wbits=31)
    with path.open("wb") as file:
        for _ in range(100):
            file.write(packer.compress(bytes(1 << 20)))
        file.write(packer.flush())
    tracemalloc.start()
    try:
        with pytest.raises(BadInput) as caught:
            read(path, Limits(unpacked=1 << 24))
        assert tracemalloc.get_traced_memory()[1] < 4 << 20
    finally:
        tracemalloc.stop()
    size = path.stat().st_size
    assert f"it unpacks to more than 200 times its {size:,} bytes, expected a log" in str(
        caught.value
    )


def test_a_log_that_packs_well_is_no_bomb(tmp_path):
    path = tmp_path / "d.log.gz"
    path.write_bytes(gzip.compress(text_log(tmp_path / "d.log", *ROWS).read_bytes()))
    assert read(path, Limits(unpacked=0)) == (100, [])


def test_an_object_of_a_blf_that_unpacks_to_too_much_ends_it(tmp_path):
    path = written(tmp_path / "d.blf", messages(20))
    content = path.read_bytes()
    packed = struct.pack("<HxxxxxxIxxxx", 2, 1 << 20) + zlib.compress(bytes(1 << 20))
    head = struct.pack("<4sHHII", b"LOBJ", 16, 1, 16 + len(packed), 10)
    path.write_bytes(content + bytes(-len(content) % 4) + head + packed)
    count, notes = read(path, Limits(part=1 << 18))
    assert count == 20
    assert notes == [
        (
            "cannot be read after frame 20: an object in it is larger than 262,144 bytes, expected"
            " at most that"
        )
    ]
