"""The cable as a line: how long a dominant level stays behind it where terminators are missing.

    two or more        the terminators discharge the line at once
    one                a wave runs to the open end and comes back, and the other end swallows it
    none               only the bias resistors of the transceivers discharge the line

A receiver that samples before the line has settled takes a recessive bit behind a dominant one for
dominant. Simplified: one wave, one time constant, the same for all receivers; reflections from
stubs are left out, and so is the ringing that a wave of half the height could cause.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, log

from linkloss.clock.queue import NS_PER_S

DELAY_NS_PER_M = 5.0
"""Of a twisted pair (common practice)."""
FARAD_PER_M = 50e-12
FARAD_PER_NODE = 100e-12
"""Of cable and transceiver (common practice)."""
BIAS_OHM_PER_NODE = 50_000.0
"""Between CAN_H and CAN_L of a transceiver: its two bias resistors."""
DRIVEN_V = 2.0
UNDECIDED_V = 0.7
SAMPLE_POINT = 0.875
"""CiA DS-102 recommends 87.5 % up to 500 kbit/s."""


@dataclass(slots=True)
class Line:
    """Lengths in metres, and how many terminators there are; None: the two that belong there."""

    length_m: float = 10.0
    stub_m: float = 0.3
    terminators: int | None = None


def hold_bits(line: Line, terminators: int, nodes: int, bit_rate: int) -> int:
    """In how many bits behind a dominant one the sample point comes before the line has settled."""
    bit_ns = NS_PER_S / bit_rate
    late = settling_ns(line, terminators, nodes) / bit_ns - SAMPLE_POINT
    return max(0, ceil(late))


def settling_ns(line: Line, terminators: int, nodes: int) -> float:
    """How long a line takes from dominant to recessive, in ns.

    Without terminators U(t) = U(0) exp(-t / RC).
    """
    if terminators >= 2:
        return 0.0
    if terminators == 1:
        return 2 * line.length_m * DELAY_NS_PER_M
    cable_m = line.length_m + nodes * line.stub_m
    farad = cable_m * FARAD_PER_M + nodes * FARAD_PER_NODE
    ohm = BIAS_OHM_PER_NODE / nodes
    return ohm * farad * log(DRIVEN_V / UNDECIDED_V) * NS_PER_S
