"""Single signals straight in and out of a payload.

A node needs two or three signals of a message, many times a second; decoding all of them with
their units and value tables would cost several times as much.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from difflib import get_close_matches
from typing import Any, Literal

from cantools.database import Database
from cantools.database.can import Message, Signal

from linkloss_nodes.api import SettingsError

Page = tuple[tuple["Field", frozenset[int]], ...]
_FLOATS = {16: ">e", 32: ">f", 64: ">d"}


class Field:
    """Place, sign and scale of one signal.

    ``byte`` is the number of its byte when it fills exactly one, otherwise None. ``page`` are the
    multiplexers that select it, each with the values by which it does; a payload has the signal
    where all of them agree.
    """

    __slots__ = ("_mask", "_order", "_sign", "_signal", "_start", "byte", "page")

    def __init__(self, signal: Signal, page: Page = ()) -> None:
        self._signal = signal
        self.page = page
        self._mask = (1 << signal.length) - 1
        self._sign = 1 << (signal.length - 1) if signal.is_signed else 0
        self._order: Literal["little", "big"] = "little"
        self._start = signal.start
        if signal.byte_order == "big_endian":
            # The start bit of a big-endian signal is its highest one: count from the first bit.
            self._order = "big"
            self._start = 8 * (signal.start // 8) + 7 - signal.start % 8
        aligned = self._start % 8 == 0 and signal.length == 8
        self.byte = self._start // 8 if aligned else None

    def _shift(self, length: int) -> int:
        if self._order == "little":
            return self._start
        return 8 * length - self._start - self._signal.length

    @property
    def name(self) -> str:
        """Its name in the message definition."""
        return str(self._signal.name)

    @property
    def bits(self) -> int:
        """How many bits it has."""
        return self._signal.length

    def present(self, data: bytes | bytearray) -> bool:
        """Whether a payload has the signal."""
        return all(switch.get(data) in values for switch, values in self.page)

    def get(self, data: bytes | bytearray) -> int:
        """The raw value; of a floating point number its bit pattern."""
        raw = (int.from_bytes(data, self._order) >> self._shift(len(data))) & self._mask
        return (raw ^ self._sign) - self._sign

    def put(self, data: bytearray, raw: int) -> None:
        """Write the raw value into a payload."""
        shift = self._shift(len(data))
        others = int.from_bytes(data, self._order) & ~(self._mask << shift)
        data[:] = (others | (raw & self._mask) << shift).to_bytes(len(data), self._order)

    def physical(self, raw: int) -> float:
        """A raw value in the unit of the signal."""
        number: float = raw
        if self._signal.is_float:
            pattern = (raw & self._mask).to_bytes(self.bits // 8, "big")
            number = struct.unpack(_FLOATS[self.bits], pattern)[0]
        return number * float(self._signal.scale) + float(self._signal.offset)

    def raw(self, value: float) -> int:
        """The nearest raw value that the signal can carry for a value in its unit."""
        exact = (value - float(self._signal.offset)) / float(self._signal.scale)
        if self._signal.is_float:
            return int.from_bytes(struct.pack(_FLOATS[self.bits], exact), "big")
        steps = round(exact)
        low, high = -self._sign, self._mask - self._sign
        return min(high, max(low, steps))


def attribute(owner: Any, name: str) -> str | None:
    """An attribute that the message definition gives a message or a signal, as text."""
    attributes = owner.dbc.attributes if owner.dbc is not None else {}
    if name not in attributes:
        return None
    value, choices = attributes[name].value, attributes[name].definition.choices
    return str(choices[value] if choices and isinstance(value, int) else value)


def find_message(database: Database, name: str) -> Message:
    """A message by name. Raises SettingsError with the nearest name there is."""
    for message in database.messages:
        if message.name == name:
            return message
    raise SettingsError("", _unknown("message", name, [entry.name for entry in database.messages]))


def _page(message: Message, signal: Signal) -> Iterator[tuple[Field, frozenset[int]]]:
    """What selects a multiplexed signal, from the nearest multiplexer on."""
    while signal.multiplexer_signal is not None:
        values = frozenset(signal.multiplexer_ids or ())
        signal = message.get_signal_by_name(signal.multiplexer_signal)
        yield Field(signal), values


def find_field(message: Message, name: str) -> Field:
    """A signal of a message by name. Raises SettingsError with the nearest name there is."""
    for signal in message.signals:
        if signal.name == name:
            return Field(signal, tuple(_page(message, signal)))
    names = [signal.name for signal in message.signals]
    raise SettingsError("", _unknown(f"signal of message '{message.name}'", name, names))


def split_signal(reference: str) -> tuple[str, str]:
    """``Message.Signal`` in its two parts. Raises SettingsError."""
    message, _, signal = reference.partition(".")
    if not message or not signal:
        raise SettingsError("", f"got '{reference}'; expected 'Message.Signal'")
    return message, signal


def _unknown(what: str, word: str, known: list[str]) -> str:
    near = get_close_matches(word, sorted(known), n=1)
    hint = f" (did you mean '{near[0]}'?)" if near else ""
    return f"unknown {what} '{word}'; expected one of: {', '.join(sorted(known))}{hint}"
