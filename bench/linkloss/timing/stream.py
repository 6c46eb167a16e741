"""What the analysis knows of one message, and of errors on the bus.

Times are whole nanoseconds. Lengths are bits, so that one plan can be looked at with any bit rate;
a number of bits is turned into a time by rounding up, where the simulated bus rounds to the
nearest nanosecond: no simulated frame is longer than the analysis takes it to be.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Stream:
    """All frames of one message, as the bus sees them.

    :param rank: place in arbitration, the lower the earlier; no two streams have the same.
    :param bits: longest frame, intermission included (the paper's C, in bits).
    :param period_ns: shortest time between the instants at which it is due (T).
    :param jitter_ns: longest time from there until the controller has it (J).
    :raises ValueError: if a length or period is not more than zero, or the jitter is negative.
    """

    name: str
    rank: int
    bits: int
    period_ns: int
    jitter_ns: int = 0

    def __post_init__(self) -> None:
        if self.bits <= 0 or self.period_ns <= 0 or self.jitter_ns < 0:
            raise ValueError(
                f"{self.name}: bits and period are more than zero and jitter is not negative,"
                f" not {self.bits}, {self.period_ns} ns and {self.jitter_ns} ns"
            )


@dataclass(frozen=True, slots=True)
class Errors:
    """How many errors the bus must bear: ``burst`` at one time, then one every ``interval_ns``.

    Any error model is a function F(t), the most errors in an interval of length t
    (Davis et al. 2007, section 3.5). Here F(t) = burst + floor(t / interval); without an interval
    it stays at the burst.

    :raises ValueError: if the burst is negative or the interval is not more than zero.
    """

    burst: int = 0
    interval_ns: int | None = None

    def __post_init__(self) -> None:
        if self.burst < 0 or (self.interval_ns is not None and self.interval_ns <= 0):
            raise ValueError(f"a burst is not negative, an interval more than zero: {self}")

    def most(self, span_ns: int) -> int:
        """The most errors in an interval of this length."""
        later = 0 if self.interval_ns is None else span_ns // self.interval_ns
        return self.burst + later

    def bear(self, instants_ns: Iterable[int]) -> int | None:
        """The first of these ascending instants that is one error too many; None if none is."""
        due_ns = None
        left = self.burst
        for at_ns in instants_ns:
            if self.interval_ns is None:
                left -= 1
                if left < 0:
                    return at_ns
                continue
            due_ns = at_ns if due_ns is None else max(due_ns, at_ns)
            if self.burst < 1 or due_ns - at_ns > (self.burst - 1) * self.interval_ns:
                return at_ns
            due_ns += self.interval_ns
        return None


NO_ERRORS = Errors()


def time_of(bits: int, bit_rate: int) -> int:
    """How long a number of bits takes at a bit rate (bit/s), in ns, rounded up."""
    return -(-bits * NS_PER_S // bit_rate)


def utilisation(streams: Iterable[Stream], bit_rate: int) -> Fraction:
    """The share of the bus's time that streams take at most, exactly (the paper's U)."""
    return sum(
        (Fraction(time_of(s.bits, bit_rate), s.period_ns) for s in streams), start=Fraction(0)
    )
