"""Which pin of a board leads where: to a load, to a contact of a switch, to a sensor."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class OutputPin:
    """A pin that drives an output of the node, by the output's name. ``active_low``: the load is
    on while the pin is low.
    """

    pin: int
    output: str
    active_low: bool = False

    def level(self, duty: int) -> float | None:
        """The level of the output, 0.0 to 1.0, for a duty of 0 to 255; None for one below 0:
        the pin does not drive.
        """
        if duty < 0:
            return None
        return (255 - duty if self.active_low else duty) / 255


@dataclass(frozen=True, slots=True)
class InputPin:
    """A pin that reads an input of the node.

    Of a switch it is active in ``positions``; of a sensor it reads ``span``, linear over the
    range of the converter.
    """

    pin: int
    name: str
    positions: frozenset[str] = frozenset()
    active_low: bool = False
    span: tuple[float, float] | None = None

    def high(self, value: str | float) -> bool:
        """Whether the pin is high. A sensor's is in the upper half of its span."""
        if self.span is not None:
            return float(value) >= (self.span[0] + self.span[1]) / 2
        return (value in self.positions) is not self.active_low

    def counts(self, value: str | float, largest: int) -> int:
        """What the converter makes of the pin, 0 to ``largest``."""
        if self.span is None:
            return largest if self.high(value) else 0
        low, high = self.span
        share = (float(value) - low) / (high - low)
        return round(min(1.0, max(0.0, share)) * largest)


@dataclass(frozen=True, slots=True)
class Wiring:
    """All of a node's pins, and the figures of its hardware.

    ``call_ns`` is the processor time of one call to the board, ``clock_start_ns`` what the clock
    shows at power-up, ``memory_bytes`` the size of the memory that outlives a reset.
    """

    outputs: tuple[OutputPin, ...] = ()
    inputs: tuple[InputPin, ...] = ()
    call_ns: int = 2_000
    clock_start_ns: int = 0
    memory_bytes: int = 1024
    analog_bits: int = 10
