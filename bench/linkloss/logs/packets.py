"""Captured packets (.pcap, .pcapng) of CAN frames.

A packet of the link type SocketCAN is a header of eight bytes and the content:

    0      4        5       6          7              8
    | word | length | flags | reserved | raw length   | content ...

``word`` is the identifier with flags in its top three bits, the most significant byte first,
whatever the byte order of the file. ``raw length`` is the data length code of a classical frame
where that is above 8.

Sources: the formats of capture files and the registry of link types (IETF drafts
draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng, tcpdump.org, from memory), held against an
independent reader and writer in tests/against/test_packets.py. Instants are exact to a nanosecond.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO

import can

from linkloss.bus.frame import FdFrame, Frame
from linkloss.bus.message import Ready

MICROSECOND_MAGIC = 0xA1B2C3D4
NANOSECOND_MAGIC = 0xA1B23C4D
LINK_SOCKETCAN = 227
EXTENDED, REMOTE, ERROR = 0x8000_0000, 0x4000_0000, 0x2000_0000
BIT_RATE_SWITCH, ERROR_STATE, FD = 0x01, 0x02, 0x04
SECTION, INTERFACE, OLD_PACKET, SIMPLE_PACKET, PACKET = 0x0A0D0D0A, 1, 2, 3, 6
_XL = 0x80
"""In the place of a length: the frame is a CAN XL frame."""
_CLASSICAL_BYTES = 16
"""A packet of a classical frame is never longer."""
_ORDER_MAGIC = 0x1A2B3C4D
_NAME, _RESOLUTION, _OFFSET = 2, 9, 14
"""Options of an interface."""
MOST_BYTES = 1 << 20
"""A packet or block that says that it is longer is taken for damage."""
_NS_PER_S = 1_000_000_000


class Damage(Exception):  # noqa: N818 - it is the file that is damaged, the word says so
    """The rest of a capture cannot be read; the text says why."""


def packets(file: BinaryIO) -> Iterator[Ready | can.Message | str]:
    """Everything in a capture: a frame, a message for an error frame, or for a packet that is no
    frame the reason. Which of the two formats it is tells its beginning.

    :raises Damage: where it breaks off, or is no capture.
    """
    start = file.read(4)
    if start == SECTION.to_bytes(4, "little"):  # reads the same from both ends
        yield from _blocks(file, start)
        return
    for order in "<>":
        for magic, ns in ((MICROSECOND_MAGIC, 1000), (NANOSECOND_MAGIC, 1)):
            if start == struct.pack(f"{order}I", magic):
                yield from _records(file, order, ns)
                return
    raise Damage("it begins like no .pcap or .pcapng")


def _records(file: BinaryIO, order: str, ns_per_tick: int) -> Iterator[Ready | can.Message | str]:
    """The packets of a .pcap: one interface, one clock."""
    (link,) = struct.unpack(f"{order}16xI", _whole(file.read(20), 20))
    unusable = _unusable(link & 0xFFFF)
    head = struct.Struct(f"{order}IIII")
    while start := file.read(16):
        seconds, ticks, size, _ = head.unpack(_whole(start, 16))
        packet = _whole(file.read(_sane(size)), size)
        at_ns = seconds * _NS_PER_S + ticks * ns_per_tick
        yield unusable or _frame(packet, at_ns, "")


class _Interface:
    """Where packets of a .pcapng were captured: its name, and what its times count in."""

    def __init__(self, body: bytes, order: str, number: int) -> None:
        (link,) = struct.unpack_from(f"{order}H", body)
        self.unusable = _unusable(link)
        self.name = str(number)
        self.per_second = 1_000_000
        self.offset_ns = 0
        for code, value in _options(body[8:], order):
            if code == _NAME:
                self.name = value.decode("utf-8", "replace").rstrip("\0") or self.name
            elif code == _RESOLUTION and len(value) == 1:
                self.per_second = (2 if value[0] & 0x80 else 10) ** (value[0] & 0x7F)
            elif code == _OFFSET and len(value) == 8:
                self.offset_ns = struct.unpack(f"{order}q", value)[0] * _NS_PER_S

    def instant_ns(self, high: int, low: int) -> int:
        """An instant, from the two halves of a packet's time."""
        return (high << 32 | low) * _NS_PER_S // self.per_second + self.offset_ns


def _options(body: bytes, order: str) -> Iterator[tuple[int, bytes]]:
    place = 0
    while place + 4 <= len(body):
        code, size = struct.unpack_from(f"{order}HH", body, place)
        if not code:
            return
        yield code, body[place + 4 : place + 4 + size]
        place += 4 + size + -size % 4


def _blocks(file: BinaryIO, start: bytes) -> Iterator[Ready | can.Message | str]:
    """The packets of a .pcapng. Each section may have a byte order of its own, and its own
    interfaces.
    """
    order, interfaces = "<", list[_Interface]()
    first = start
    while head := first + file.read(8 - len(first)):
        first = b""
        kind, size = struct.unpack(f"{order}II", _whole(head, 8))
        magic = b""
        if kind == SECTION:
            magic = _whole(file.read(4), 4)
            order = "<" if magic == struct.pack("<I", _ORDER_MAGIC) else ">"
            if magic != struct.pack(f"{order}I", _ORDER_MAGIC):
                raise Damage("a section of it tells no byte order")
            (size,) = struct.unpack(f"{order}I", head[4:])
            interfaces.clear()
        if size < 12 + len(magic) or size % 4:
            raise Damage(f"a block in it claims a length of {size:,} bytes")
        left = size - 12 - len(magic)
        if kind in (INTERFACE, PACKET, OLD_PACKET, SIMPLE_PACKET):
            body = _whole(file.read(_sane(left)), left)
        else:
            _skip(file, left)
        if _whole(file.read(4), 4) != struct.pack(f"{order}I", size):
            raise Damage("the two lengths of a block in it differ")
        if kind == INTERFACE:
            if len(body) < 8:
                raise Damage("an interface in it is too short")
            interfaces.append(_Interface(body, order, len(interfaces)))
        elif kind == SIMPLE_PACKET:
            yield "a packet without a time"
        elif kind in (PACKET, OLD_PACKET):
            yield _of_block(body, f"{order}{'IIII' if kind == PACKET else 'HxxIII'}", interfaces)


def _of_block(body: bytes, layout: str, interfaces: list[_Interface]) -> Ready | can.Message | str:
    if len(body) < 20:
        return f"a packet of {len(body)} bytes, expected at least 20"
    number, high, low, size = struct.unpack_from(layout, body)
    if number >= len(interfaces):
        return f"a packet of interface {number}, of which there are {len(interfaces)}"
    if size > len(body) - 20:
        return f"a packet that claims {size:,} bytes, of which {len(body) - 20} are there"
    interface = interfaces[number]
    at_ns = interface.instant_ns(high, low)
    return interface.unusable or _frame(body[20 : 20 + size], at_ns, interface.name)


def _frame(packet: bytes, at_ns: int, channel: str) -> Ready | can.Message | str:
    if len(packet) < 8:
        return f"a packet of {len(packet)} bytes, expected at least 8"
    word, length, flags, _, raw_length = struct.unpack_from(">IBBBB", packet)
    if word & ERROR:
        return can.Message(timestamp=at_ns / _NS_PER_S, channel=channel, is_error_frame=True)
    fd = bool(flags & FD) or len(packet) > _CLASSICAL_BYTES
    if length & _XL:
        return "a CAN XL frame"
    remote = bool(word & REMOTE)
    content = packet[8 : 8 + length]
    if not remote and len(content) < length:
        return f"a frame of {length} bytes, of which {len(content)} were captured"
    extended = bool(word & EXTENDED)
    identifier = word & 0x1FFF_FFFF
    try:
        if fd:
            switch, passive = bool(flags & BIT_RATE_SWITCH), bool(flags & ERROR_STATE)
            return (
                at_ns,
                FdFrame(identifier, content, extended, remote, None, switch, passive),
                channel,
            )
        dlc = raw_length if length == 8 and 8 < raw_length < 16 else length
        return at_ns, Frame(identifier, b"" if remote else content, extended, remote, dlc), channel
    except ValueError as error:
        return str(error)


def _unusable(link: int) -> str:
    """Why packets of a link type are left out; empty for those of frames."""
    return "" if link == LINK_SOCKETCAN else f"link type {link}, expected {LINK_SOCKETCAN}"


def _sane(size: int) -> int:
    if size > MOST_BYTES:
        raise Damage(f"a packet in it claims {size:,} bytes, expected at most {MOST_BYTES:,}")
    return size


def _whole(content: bytes, size: int) -> bytes:
    if len(content) < size:
        raise Damage("it ends inside a packet" if size > 4 else "it ends inside a block")
    return content


def _skip(file: BinaryIO, size: int) -> None:
    while size > 0:
        piece = len(file.read(min(size, 1 << 16)))
        if not piece:
            raise Damage("it ends inside a block")
        size -= piece
