"""Captured packets, made byte by byte: byte orders, clocks, interfaces, damage."""

from __future__ import annotations

import gzip
import struct

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linkloss.bus import FdFrame, Frame
from linkloss.logs.source import LogFile
from linkloss.logs.stream import ALL, Tally, frames
from linkloss.problem import BadInput

ORDERS = st.sampled_from("<>")


def packet(word, data, flags=0, raw=0, length=None):
    length = len(data) if length is None else length
    size = 64 if flags & 4 else 8
    return struct.pack(">IBBBB", word, length, flags, 0, raw) + data.ljust(size, b"\0")


PACKETS = [
    packet(0x123, b"\x11\x22"),
    packet(0x98DAF110, bytes(8), raw=0xD),
    packet(0x40000124, b"", length=4),
    packet(0x20000080, bytes(8)),
    packet(0x125, bytes(range(12)), flags=5),
]
FRAMES = [
    Frame(0x123, b"\x11\x22"),
    Frame(0x18DAF110, bytes(8), extended=True, dlc=13),
    Frame(0x124, remote=True, dlc=4),
    FdFrame(0x125, bytes(range(12)), bit_rate_switch=True),
]


def plain(order="<", magic=0xA1B2C3D4, link=227, found=PACKETS):
    """A .pcap with packets 250 ticks apart."""
    out = struct.pack(f"{order}IHHiIII", magic, 2, 4, 0, 0, 65535, link)
    for number, content in enumerate(found):
        size = len(content)
        out += struct.pack(f"{order}IIII", 1_700_000_000, 250 * number, size, size) + content
    return out


def block(order, kind, body):
    body += bytes(-len(body) % 4)
    size = 12 + len(body)
    return struct.pack(f"{order}II", kind, size) + body + struct.pack(f"{order}I", size)


def section(order):
    return block(order, 0x0A0D0D0A, struct.pack(f"{order}IHHq", 0x1A2B3C4D, 1, 0, -1))


def option(order, code, value):
    return struct.pack(f"{order}HH", code, len(value)) + value + bytes(-len(value) % 4)


def interface(order, *options, link=227):
    return block(order, 1, struct.pack(f"{order}HHI", link, 0, 0) + b"".join(options) + bytes(4))


def enhanced(order, number, ticks, content):
    head = struct.pack(
        f"{order}IIIII", number, ticks >> 32, ticks & 0xFFFFFFFF, len(content), len(content)
    )
    return block(order, 6, head + content)


def read(path, content):
    path.write_bytes(content)
    log, tally = LogFile(path), Tally()
    return list(frames(log, tally, ALL, fd=True)), [*log.notes(), *tally.notes()]


@pytest.mark.parametrize("order", "<>")
@pytest.mark.parametrize("magic,tick_ns", [(0xA1B2C3D4, 1000), (0xA1B23C4D, 1)])
@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_a_pcap_of_any_order_and_clock(tmp_path, order, magic, tick_ns, pack):
    name = "d.pcap" if pack is bytes else "d.pcap.gz"
    found, notes = read(tmp_path / name, pack(plain(order, magic)))
    assert [frame for _, frame, _ in found] == FRAMES
    assert [at for at, _, _ in found] == [n * 250 * tick_ns for n in (0, 1, 2, 4)]
    assert notes == ["1 error frame left out"]


@pytest.mark.parametrize("order", "<>")
def test_interfaces_of_a_pcapng_have_names_and_clocks_of_their_own(tmp_path, order):
    start = 1_700_000_000
    parts = [
        section(order),
        interface(order, option(order, 2, b"can0"), option(order, 9, b"\x09")),
        interface(order, option(order, 9, b"\x94")),
        interface(order, option(order, 14, struct.pack(f"{order}q", start))),
        enhanced(order, 0, start * 10**9 + 1, PACKETS[0]),
        block(order, 5, bytes(24)),
        enhanced(order, 1, start << 20 | 1 << 19, PACKETS[1]),
        enhanced(order, 2, 750_000, PACKETS[2]),
    ]
    other = "<" if order == ">" else ">"
    parts += [section(other), interface(other), enhanced(other, 0, (start + 1) * 10**6, PACKETS[4])]
    found, notes = read(tmp_path / "d.pcapng", b"".join(parts))
    assert found == [
        (0, FRAMES[0], "can0"),
        (499_999_999, FRAMES[1], "1"),
        (749_999_999, FRAMES[2], "2"),
        (999_999_999, FRAMES[3], "0"),
    ]
    assert notes == []


def test_packets_that_are_no_frames_are_counted(tmp_path):
    parts = [
        section("<"), interface("<"), interface("<", link=1),
        enhanced("<", 0, 1, PACKETS[0]),
        enhanced("<", 1, 2, PACKETS[0]),
        enhanced("<", 7, 3, PACKETS[0]),
        enhanced("<", 0, 4, packet(0x123, bytes(8))[:12]),
        enhanced("<", 0, 5, packet(0x123, b"", length=0x80)),
        block("<", 3, struct.pack("<I", 16) + PACKETS[0]),
        enhanced("<", 0, 6, packet(0xFFF, b"")),
    ]  # fmt: skip
    found, notes = read(tmp_path / "d.pcapng", b"".join(parts))
    assert len(found) == 1
    assert notes == ["6 unreadable packets skipped, the first: packet 2: link type 1, expected 227"]


def test_another_link_type_is_told(tmp_path):
    with pytest.raises(BadInput, match="link type 1, expected 227"):
        read(tmp_path / "d.pcap", plain(link=1))


def whole_pcapng():
    parts = [section("<"), interface("<")]
    return b"".join([*parts, *(enhanced("<", 0, n, p) for n, p in enumerate(PACKETS))])


@pytest.mark.parametrize("name,content", [("d.pcap", plain()), ("d.pcapng", whole_pcapng())])
def test_one_that_breaks_off_says_so_at_every_byte(tmp_path, name, content):
    """Every frame before the cut is read; only a cut between packets leaves no trace."""
    log = LogFile(_written(tmp_path / name, content))
    assert sum(1 for _ in log.entries()) == 5
    silent = 0
    for end in range(1, len(content)):
        log = LogFile(_written(tmp_path / name, content[:end]))
        try:
            count = sum(1 for _ in log.entries())
        except BadInput as error:
            assert "\n" not in str(error)  # noqa: PT017
            continue
        silent += not log.notes()
        if log.notes():
            assert "it ends inside a" in log.notes()[0]
            assert log.notes()[0].startswith(f"cannot be read after frame {count}:")
    assert silent == 4


def _written(path, content):
    path.write_bytes(content)
    return path


@pytest.mark.parametrize("size", [0, 8, 13, 1 << 31])
def test_a_length_that_cannot_be_ends_it(tmp_path, size):
    broken = whole_pcapng() + struct.pack("<II", 6, size) + bytes(40)
    _, notes = read(tmp_path / "d.pcapng", broken)
    assert notes[0].startswith("cannot be read after frame 5: a ")
    assert "claims" in notes[0]


@settings(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    name=st.sampled_from(["d.pcap", "d.pcapng"]),
    cuts=st.lists(
        st.tuples(st.floats(0, 1), st.binary(max_size=8), st.integers(0, 20)), max_size=4
    ),
)
def test_no_damage_brings_the_reader_down(tmp_path, name, cuts):
    content = plain(found=PACKETS * 4) if name == "d.pcap" else whole_pcapng()
    for place, patch, removed in cuts:
        at = int(place * len(content))
        content = content[:at] + patch + content[at + removed :]
    log = LogFile(_written(tmp_path / name, content or b"x"))
    try:
        count = sum(1 for _ in log.entries())
    except BadInput as error:
        assert "\n" not in str(error)  # noqa: PT017
    else:
        assert count <= 20 + 4 * 2
