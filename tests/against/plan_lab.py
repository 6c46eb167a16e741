"""A lab for both frame formats, in which all nodes stay in step while bits are disturbed.

An error that all see at once starts all error flags at once, so every later bit is known: flag 6
bits, delimiter 8, intermission 3 (Bosch CAN Specification 2.0, part B sections 3.1.3 and 3.1.5).
A bit that is disturbed then reaches all alike, or one of them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import NamedTuple, cast

from bit_lab import Lab
from crccheck.crc import Crc15Can

from linkloss.bus.controller import Controller
from linkloss.bus.frame import FdFrame, Frame, bits
from linkloss.bus.record import Noise
from linkloss.clock.queue import EventQueue

FLAG, DELIMITER, INTERMISSION = 6, 8, 3
REST = FLAG + DELIMITER + INTERMISSION
"""Bits from the first one of a flag to the start of the next frame, if nobody adds any."""


class Silent:
    """A noise that might strike and never does: all bits are followed one by one."""

    node: str | None = None

    def spares(self, bits: int) -> bool:
        return False

    def strikes(self) -> bool:
        return False


class Struck(Silent):
    """All, or one of them, see these bits inverted; bits are counted from the first frame on, and
    may lie behind its intermission.
    """

    def __init__(self, queue: EventQueue, node: str | None, struck: Collection[int]) -> None:
        self.node, self._queue, self._struck = node, queue, struck

    def strikes(self) -> bool:
        return self._queue.now_ns // 1_000 - 1 in self._struck  # at the end of the bit


class Form(NamedTuple):
    """A frame of one format and where its bits are."""

    fd: bool
    frame: Frame
    other: Frame
    """Of lower priority."""

    @property
    def bits(self) -> str:
        return bits(self.frame)

    @property
    def length(self) -> int:
        return len(self.bits)

    @property
    def crc_delimiter(self) -> int:
        return self.length - 10

    @property
    def ack(self) -> int:
        return self.length - 9

    @property
    def ack_delimiter(self) -> int:
        return self.length - 8

    def end(self, number: int) -> int:
        """A bit of end of frame, the first one is 1."""
        return self.length - 8 + number


DATA = bytes.fromhex("00FF00FF")
CLASSICAL = Form(fd=False, frame=Frame(0x123, DATA), other=Frame(0x456, b"\x01"))
FD = Form(fd=True, frame=FdFrame(0x123, DATA), other=FdFrame(0x456, b"\x01"))


class Bench(Lab):
    """Nodes of one format; node a sends."""

    def __init__(self, form: Form, names: str = "abc") -> None:
        super().__init__("")
        self.form = form
        self.bus.noises.append(cast("Noise", Silent()))
        self.nodes = {name: Controller(name, fd=form.fd) for name in names}
        for node in self.nodes.values():
            self.bus.attach(node)

    def strike(self, struck: Mapping[int, str | None]) -> None:
        """These bits are seen inverted, and by whom (None: by all)."""
        for who in set(struck.values()):
            mine = {bit for bit, name in struck.items() if name == who}
            self.bus.noises.append(cast("Noise", Struck(self.queue, who, mine)))

    def rec(self, name: str = "b") -> int:
        return self[name].rec


def dominant(first: int, last: int) -> dict[int, str | None]:
    """All see these recessive bits dominant."""
    return dict.fromkeys(range(first, last + 1))


def stuff_places(sent: str) -> list[int]:
    """Where five equal bits are followed by the other level: all of them, up to the end."""
    found, run = [], 1
    for k in range(1, len(sent)):
        if run == 5 and sent[k] != sent[k - 1]:
            found.append(k)
            run = 1
        else:
            run = run + 1 if sent[k] == sent[k - 1] else 1
    return found


def encoded(
    identifier: int,
    data: bytes = b"",
    *,
    extended: bool = False,
    remote: bool = False,
    dlc: int | None = None,
    srr: str = "1",
    reserved: str | None = None,
) -> str:
    """A classical frame by code of its own: fields of part B section 3.1.1, the CRC by another
    library, stuffing of section 5; acknowledged.
    """
    rtr = str(int(remote))
    if extended:
        head = f"0{identifier >> 18:011b}{srr}1{identifier & 0x3FFFF:018b}{rtr}{reserved or '00'}"
    else:
        head = f"0{identifier:011b}{rtr}0{reserved or '0'}"
    content = head + f"{len(data) if dlc is None else dlc:04b}"
    content += "".join(f"{byte:08b}" for byte in data)
    crc = Crc15Can.calc(int(content, 2).to_bytes((len(content) + 7) // 8, "big"))
    out, run = "", 0
    for bit in content + f"{crc:015b}":
        run = run + 1 if out.endswith(bit) else 1
        out += bit
        if run == 5:
            out += "10"[int(bit)]
            run = 1
    return out + "1" + "0" + "1" + "1" * 7
