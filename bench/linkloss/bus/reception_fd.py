"""What a receiver that knows CAN FD makes of the bits it sees, in frames of either format.

Sources of the format: linkloss.bus.fd. A recessive bit behind FDF, which is reserved for formats to
come, is an error here; a controller may also be set to wait for the end of such a frame instead
(from memory of ISO 11898-1:2015, protocol exception).
"""

from __future__ import annotations

from linkloss.bus.fd import LENGTHS, crc_sequence, stuff_count
from linkloss.bus.frame import FdFrame, Frame
from linkloss.bus.reception import Heard, Reception

_BASE_FDF, _EXTENDED_FDF = 14, 33
_TO_BRS, _TO_LENGTH = 2, 7
"""From FDF to BRS, and to the last bit of the data length code."""


class FdReception(Reception):
    """A frame on its way in, classical or not."""

    __slots__ = ("_field", "_fixed", "_raw", "_size")

    def __init__(self, seen: tuple[int, ...] = (0,)) -> None:
        self._raw: list[int] = []
        self._field: list[int] | None = None
        """Stuff count and CRC, once their turn has come."""
        self._fixed = True
        """Whether a fixed stuff bit comes next in that field."""
        self._size = 0
        super().__init__(seen)

    def hear(self, bit: int) -> Heard:
        """Take in one more bit in front of the CRC delimiter."""
        if self._field is not None:
            return self._hear_field(self._field, bit)
        self._raw.append(bit)
        heard = super().hear(bit)
        if heard is Heard.STUFF_ERROR or not self._is_fd():
            return heard
        reserved = self._fdf() + 1
        if len(self._content) == reserved + 1 and self._content[reserved]:
            return Heard.FORM_ERROR
        return Heard.MORE

    def frame(self) -> Frame | None:
        """The frame, once it is complete; None where its CRC or its stuff count does not fit."""
        if not self._is_fd():
            return super().frame()
        assert self._field is not None
        count, crc = _text(self._field[:4]), _text(self._field[4:])
        content = self._content
        if count != stuff_count(len(self._raw) - len(content)):
            return None
        if crc != crc_sequence(_text(self._raw) + count, self._size):
            return None
        fdf = self._fdf()
        identifier = int(_text(content[1:12]), 2)
        if content[13]:
            identifier = identifier << 18 | int(_text(content[14:32]), 2)
        data = _text(content[fdf + _TO_LENGTH + 1 :])
        return FdFrame(
            identifier,
            bytes(int(data[place : place + 8], 2) for place in range(0, len(data), 8)),
            bool(content[13]),
            bit_rate_switch=bool(content[fdf + _TO_BRS]),
            error_state_indicator=bool(content[fdf + _TO_BRS + 1]),
        )

    def _hear_field(self, field: list[int], bit: int) -> Heard:
        if self._fixed:
            if bit == self._last:
                return Heard.FORM_ERROR
            self._last, self._fixed = bit, False
            return Heard.MORE
        field.append(bit)
        self._last = bit
        if len(field) == 4 + (17 if self._size <= 16 else 21):
            return Heard.END
        self._fixed = len(field) % 4 == 0
        return Heard.MORE

    def _look_ahead(self) -> None:
        content = self._content
        fdf = self._fdf()
        if self._due <= fdf:
            self._due = fdf + 1
        elif not content[fdf]:
            super()._look_ahead()
        elif self._due == fdf + 1:
            self._due = fdf + _TO_BRS + 1
        elif self._due == fdf + _TO_BRS + 1:
            self.fast = bool(content[-1])
            self._due = fdf + _TO_LENGTH + 1
        elif self._due == fdf + _TO_LENGTH + 1:
            self._size = LENGTHS[int(_text(content[-4:]), 2)]
            self._due += 8 * self._size
            if not self._size:
                self._field = []
        else:
            self._field = []

    def _fdf(self) -> int:
        return _EXTENDED_FDF if self._content[13] else _BASE_FDF

    def _is_fd(self) -> bool:
        fdf = self._fdf() if len(self._content) > 13 else _EXTENDED_FDF
        return len(self._content) > fdf and bool(self._content[fdf])


def _text(bits: list[int]) -> str:
    return "".join(map(str, bits))
