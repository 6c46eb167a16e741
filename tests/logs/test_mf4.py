"""Measurement files that asammdf wrote, whole, cut off and damaged."""

from __future__ import annotations

import struct
from collections import Counter

import can
import pytest
from replay_lab import messages

from linkloss.logs.source import LogFile
from linkloss.logs.stream import ALL, Tally, frames
from linkloss.problem import BadInput

pytest.importorskip("asammdf")
pytestmark = [
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]

DATA = (b"##DT", b"##DZ", b"##SD")


def measured(path, found, level=0):
    with can.MF4Writer(path, compression_level=level) as writer:
        for message in found:
            writer.on_message_received(message)
    return path


def blocks(content):
    """Place -> (what, length, links) of every block that can be reached."""
    found, ahead = {}, [64]
    while ahead:
        at = ahead.pop()
        if at and at not in found:
            what, length, count = struct.unpack_from("<4s4xQQ", content, at)
            links = struct.unpack_from(f"<{count}Q", content, at + 24)
            found[at] = what, length, links
            ahead += links
    return found


def data_last(content):
    """The same file with its records at the end, as a logger writes it while it runs."""
    found = blocks(content)
    order = sorted(found, key=lambda at: (at != 64, found[at][0] in DATA, at))
    moved, end = {0: 0}, 64
    for at in order:
        moved[at] = end
        end += -(-found[at][1] // 8) * 8
    out = bytearray(content[:64]) + bytes(end - 64)
    for at in order:
        _, length, links = found[at]
        out[moved[at] : moved[at] + length] = content[at : at + length]
        struct.pack_into(f"<{len(links)}Q", out, moved[at] + 24, *[moved[link] for link in links])
    return bytes(out)


def mixed(count):
    """Data, remote and error frames, and frames of CAN FD."""
    found = messages(count)
    base = dict(channel=2, is_extended_id=False, arbitration_id=0x12)
    found.append(can.Message(timestamp=0.001, is_remote_frame=True, dlc=3, **base))
    found.append(can.Message(timestamp=0.002, is_error_frame=True, channel=2))
    found.append(
        can.Message(timestamp=0.003, is_fd=True, bitrate_switch=True, data=bytes(12), **base)
    )
    return sorted(found, key=lambda message: message.timestamp)


def read(path, **options):
    log, tally = LogFile(path), Tally()
    return list(frames(log, tally, ALL, **options)), log


@pytest.mark.parametrize("level", [0, 1, 2])
@pytest.mark.parametrize("arranged", [bytes, data_last])
def test_what_the_library_wrote_is_read_as_its_own_reader_reads_it(tmp_path, level, arranged):
    """Oracle: python-can's reader of this format."""
    path = measured(tmp_path / "d.mf4", mixed(2500), level)
    with can.MF4Reader(path) as reader:
        wanted = Counter(
            (m.arbitration_id, m.is_extended_id, bytes(m.data), m.is_fd, m.bitrate_switch,
             m.is_remote_frame)
            for m in reader if not m.is_error_frame
        )  # fmt: skip
    path.write_bytes(arranged(path.read_bytes()))
    found, log = read(path, fd=True)
    assert (
        Counter(
            (f.identifier, f.extended, f.data, f.fd, getattr(f, "bit_rate_switch", False), f.remote)
            for _, f, _ in found
        )
        == wanted
    )
    assert len(found) == 2502
    assert log.frames == 2503
    assert log.notes() == []
    assert [at for at, _, _ in found] == sorted(at for at, _, _ in found)


@pytest.mark.parametrize("level", [0, 1])
@pytest.mark.parametrize("share", [0.6, 0.9, 0.99])
def test_one_that_breaks_off_is_read_as_far_as_it_goes(tmp_path, capfd, level, share):
    path = measured(tmp_path / "d.mf4", messages(2000), level)
    whole = data_last(path.read_bytes())
    wanted = [(m.arbitration_id, bytes(m.data)) for m in messages(2000)]
    path.write_bytes(whole[: int(len(whole) * share)])
    found, log = read(path)
    assert [(f.identifier, f.data) for _, f, _ in found] == wanted[: len(found)]
    if not level:  # records of 84 bytes: whatever is there in full
        lost = len(whole) - int(len(whole) * share)
        assert -2 <= 2000 - len(found) - lost // 84 <= 2
    size = int(len(whole) * share)
    assert log.notes() == [
        (
            f"cannot be read after frame {len(found):,}: it breaks off at byte {size:,}, inside"
            f" its records; {2000 - len(found):,} of 2,000 frames are missing"
        )
    ]
    assert capfd.readouterr() == ("", "")


def test_transposed_data_that_break_off_are_read_where_all_columns_are(tmp_path):
    path = measured(tmp_path / "d.mf4", messages(2000), 2)
    whole = data_last(path.read_bytes())
    start = next(at for at, block in blocks(whole).items() if block[0] == b"##DZ")
    end = start + blocks(whole)[start][1]
    wanted = [(m.arbitration_id, bytes(m.data)) for m in messages(2000)]
    counts = []
    for lost in range(12, 0, -1):
        path.write_bytes(whole[: end - lost])
        try:
            found, log = read(path)
        except BadInput as error:
            assert "2,000 of 2,000 frames are missing" in str(error)  # noqa: PT017
            found = []
        assert [(f.identifier, f.data) for _, f, _ in found] == wanted[: len(found)]
        counts.append(len(found))
        if found:
            missing = f"; {2000 - len(found):,} of 2,000 frames are missing"
            assert log.notes()[0].endswith(missing if len(found) < 2000 else "inside its records")
    assert counts == sorted(counts)
    assert counts[-1] == 2000


def test_one_whose_plan_comes_last_is_lost_when_it_breaks_off(tmp_path, capfd):
    path = measured(tmp_path / "d.mf4", messages(2000))
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 9 // 10])
    with pytest.raises(BadInput, match="before the part that says what its records are"):
        read(path)
    assert capfd.readouterr() == ("", "")


def test_damaged_records_are_counted_and_the_rest_is_read(tmp_path, capfd):
    path = measured(tmp_path / "d.mf4", mixed(2000), 1)
    content = bytearray(path.read_bytes())
    at = next(at for at, block in sorted(blocks(content).items()) if block[0] == b"##DZ")
    content[at + 60 : at + 90] = bytes(30)
    path.write_bytes(content)
    found, log = read(path)
    assert [str(frame) for _, frame, _ in found] == ["012#R3"]
    assert any("2,001 of 2,003 frames are damaged and left out" in note for note in log.notes())
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("seed", range(12))
def test_no_damage_brings_the_reader_down_or_makes_it_speak(tmp_path, capfd, seed):
    from random import Random

    random = Random(seed)
    path = measured(tmp_path / "d.mf4", mixed(40), seed % 3)
    content = bytearray(data_last(path.read_bytes()) if seed % 2 else path.read_bytes())
    for _ in range(1 + seed % 4):
        at = random.randrange(len(content))
        content[at : at + 4] = random.randbytes(4)
    path.write_bytes(content[: random.randrange(len(content) // 2, len(content))])
    try:
        read(path, fd=True)
    except BadInput as error:
        assert "\n" not in str(error)  # noqa: PT017
    assert capfd.readouterr() == ("", "")


def test_a_circle_of_blocks_is_told(tmp_path):
    path = measured(tmp_path / "d.mf4", messages(10))
    content = bytearray(path.read_bytes())
    at = next(at for at, block in blocks(content).items() if block[0] == b"##DG")
    struct.pack_into("<Q", content, at + 24, at)
    path.write_bytes(content)
    with pytest.raises(BadInput, match="point in a circle"):
        read(path)
