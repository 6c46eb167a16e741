"""The lines between the bench and the I/O board: text with a running number and a checksum.

``nodes/firmware/io_board/PROTOCOL.md`` defines them. A line is ``$``, a body, ``*``, the CRC-16
of the body (polynomial 1021 hex, start value FFFF hex, high bit first) as four digits, and a line
feed.
"""

from __future__ import annotations

from binascii import crc_hqx
from dataclasses import dataclass

VERSION = 1
_LONGEST = 64
"""Characters; what is longer is noise."""


@dataclass(frozen=True, slots=True)
class BoardLine:
    """A line without its frame: its running number (0 to 255), its word, its fields as text."""

    number: int
    word: str
    fields: tuple[str, ...] = ()

    @property
    def values(self) -> tuple[int, ...]:
        """The fields as numbers. Raises ValueError for a field that is none."""
        return tuple(int(field, 16) for field in self.fields)


def written(line: BoardLine) -> bytes:
    """A line as it goes over the serial line."""
    body = " ".join((f"{line.number:02X}", line.word, *line.fields)).encode("ascii")
    return b"$%s*%04X\n" % (body, crc_hqx(body, 0xFFFF))


def read_line(text: bytes) -> BoardLine | None:
    """A line, without its ``$`` and its line feed; None if it is damaged."""
    body, star, told = text.rpartition(b"*")
    if not star or len(told) != 4 or told != b"%04X" % crc_hqx(body, 0xFFFF):
        return None
    try:
        number, word, *fields = body.decode("ascii").split(" ")
        return BoardLine(int(number, 16), word, tuple(fields))
    except ValueError:
        return None


class LineReader:
    """Takes bytes and returns whole lines; ``damaged`` counts what was none."""

    def __init__(self) -> None:
        self.damaged = 0
        self._text = bytearray()
        self._inside = False

    def feed(self, data: bytes) -> list[BoardLine]:
        """The lines that end in these bytes."""
        found: list[BoardLine] = []
        for value in data:
            if value == 0x24:  # $
                self.damaged += self._inside
                self._text.clear()
                self._inside = True
            elif value != 0x0A:
                self._text.append(value)
                if len(self._text) > _LONGEST:
                    self.damaged += self._inside
                    self._inside = False
                    self._text.clear()
            elif self._inside:
                line = read_line(bytes(self._text))
                self.damaged += line is None
                self._inside = False
                if line is not None:
                    found.append(line)
        return found
