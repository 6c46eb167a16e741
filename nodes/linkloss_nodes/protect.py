"""How a node tells a good message from a bad one: checksum, alive counter, length.

A controller discards what the bus garbled. It cannot know that a sender repeats old content, that
a program mixed up its buffers, or that half of a message is missing: that is what these are for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import reduce
from operator import xor

from cantools.database.can import Message

from linkloss_nodes.fields import Field, attribute


def _table(polynomial: int) -> bytes:
    entries = bytearray()
    for byte in range(256):
        for _ in range(8):
            byte = (byte << 1) ^ (polynomial if byte & 0x80 else 0)
        entries.append(byte & 0xFF)
    return bytes(entries)


_TABLE = _table(0x1D)


def crc8(data: Iterable[int], start: int = 0xFF) -> int:
    """CRC-8 of SAE J1850: polynomial 0x1D, start value 0xFF, result inverted.

    The check value of ``b"123456789"`` is 0x4B (published test vectors of the E2E libraries). To
    go on from an earlier part pass ``start=crc8(part) ^ 0xFF``.
    """
    value = start
    table = _TABLE
    for byte in data:
        value = table[value ^ byte]
    return value ^ 0xFF


_KINDS: dict[str, Callable[[bytes], int]] = {
    "crc8": crc8,
    "xor": lambda data: reduce(xor, data, 0),
    "sum": lambda data: sum(data) & 0xFF,
}


class Protection:
    """Counter and checksum of one message, as its definition declares them.

    The signal attribute ``LinkRole`` marks the counter and the checksum, the message attribute
    ``ChecksumKind`` names the formula (crc8, xor or sum). It runs over the identifier, two bytes
    (four for an extended one) with the high byte first, then the payload without the checksum
    byte; the identifier guards against content that came under a wrong name. A message may have
    only one of the two, or neither. Raises ValueError for a checksum that is not one whole byte.
    """

    def __init__(self, message: Message) -> None:
        roles = {attribute(signal, "LinkRole"): signal for signal in message.signals}
        counter, checksum = roles.get("counter"), roles.get("checksum")
        self.length = message.length
        self.counter = None if counter is None else Field(counter)
        self.modulo = 1 if counter is None else 1 << counter.length
        self._place: int | None = None
        if checksum is not None:
            field = Field(checksum)
            if field.byte is None:
                raise ValueError(f"{message.name}.{checksum.name}: a checksum fills one whole byte")
            self._place = field.byte
        self._seed = message.frame_id.to_bytes(4 if message.is_extended_frame else 2, "big")
        self._kind = attribute(message, "ChecksumKind") or "crc8"
        self._crc_start = crc8(self._seed) ^ 0xFF
        self._own_bits = self._mask()

    def checksum(self, data: bytes) -> int:
        """The checksum that belongs to a payload, whatever stands in its place now."""
        place = self._place
        assert place is not None, "asked only where a checksum is declared"
        rest = data[:place] + data[place + 1 :]
        if self._kind == "crc8":
            return crc8(rest, self._crc_start)
        return _KINDS[self._kind](self._seed + rest)

    def intact(self, data: bytes) -> bool:
        """Whether length and checksum are right."""
        if len(data) != self.length:
            return False
        return self._place is None or self.checksum(data) == data[self._place]

    def seal(self, data: bytearray, count: int) -> None:
        """Put the counter, then the checksum into a payload that is about to be sent."""
        if self.counter is not None:
            self.counter.put(data, count % self.modulo)
        if self._place is not None:
            data[self._place] = self.checksum(bytes(data))

    def content(self, data: bytes) -> int:
        """The payload as one number, without counter and checksum: equal means nothing new."""
        return int.from_bytes(data, "little") & ~self._own_bits

    def _mask(self) -> int:
        bits = bytearray(self.length)
        if self.counter is not None:
            self.counter.put(bits, self.modulo - 1)
        if self._place is not None:
            bits[self._place] = 0xFF
        return int.from_bytes(bits, "little")


class Sequence:
    """The receiver's side of an alive counter.

    A count is right when it moved by 1 to ``max_step`` since the last right one. A repeat never
    is. The first one after :meth:`forget`, which is how it begins, always is.
    """

    __slots__ = ("_last", "max_step", "modulo")

    def __init__(self, modulo: int, max_step: int) -> None:
        self.modulo = modulo
        self.max_step = min(max_step, modulo - 1)
        self._last: int | None = None

    def forget(self) -> None:
        """Take the next count as it comes."""
        self._last = None

    def accept(self, count: int) -> bool:
        """Whether a count is right; if so, the next one is measured from it."""
        last = self._last
        if last is not None and not 1 <= (count - last) % self.modulo <= self.max_step:
            return False
        self._last = count
        return True
