"""Copper leads: cross-section, resistance, voltage drop, and the current they may carry.

Resistances are the largest that ISO 6722-1 / ISO 19642 allow for plain copper at 20 degC (from
memory; IEC 60228 class 5, which was looked up, allows 5 % more, and the ideal conductor has 6 to 11
% less). Sizes between those of the table are interpolated in logarithms.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import exp, log, pi, sqrt

COPPER_ALPHA = 0.00393
"""Temperature coefficient of copper per kelvin, at 20 degC (IEC 60028, from memory)."""
LEAD_OHM_PER_M = (
    (0.13, 0.136), (0.22, 0.0848), (0.35, 0.0544), (0.5, 0.0371), (0.75, 0.0247), (1.0, 0.0185),
    (1.25, 0.0149), (1.5, 0.0127), (2.0, 0.00942), (2.5, 0.00760), (3.0, 0.00615), (4.0, 0.00471),
    (6.0, 0.00314), (10.0, 0.00182), (16.0, 0.00116), (25.0, 0.000743), (35.0, 0.000527),
    (50.0, 0.000368),
)  # fmt: skip
"""(mm2, largest ohm/m at 20 degC), ISO 6722-1 (from memory)."""
LEAD_AMPERES = (
    (0.22, 4.0), (0.35, 7.0), (0.5, 11.0), (0.75, 14.0), (1.0, 16.5), (1.5, 21.0), (2.0, 25.0),
    (2.5, 29.0), (3.0, 33.0), (4.0, 39.0), (6.0, 50.0), (10.0, 70.0), (16.0, 110.0), (25.0, 170.0),
    (35.0, 240.0), (50.0, 345.0),
)  # fmt: skip
"""(mm2, continuous A in free air at 30 degC), thin-wall cable: 0.5 to 10 mm2 from a cable maker's
list, looked up; the others are common practice for vehicle cable.
"""
AMPERES_AT_DEGC = 30.0
INSULATION_DEGC = 105.0
"""Temperature class B of ISO 6722-1: what thin-wall PVC withstands for 3000 h (from memory)."""
METRIC_SIZES = tuple(size for size, _ in LEAD_AMPERES)
BUNDLE_SHARES = ((1, 1.0), (4, 0.7), (7, 0.6), (25, 0.5))
"""(at least so many leads that carry current in one loom, share of the free-air current): common
practice, from secondary sources only.
"""

_SIZE = re.compile(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*(mm2|mm²|AWG)\s*")


def parse_size(text: object) -> float:
    """A cross-section in mm2 from ``"1.5 mm2"`` or ``"16 AWG"``.

    American wire gauge n is a solid wire of 0.127 mm x 92**((36 - n) / 39) diameter (ASTM B258,
    from memory).

    :raises ValueError: if the text is neither, or the size is out of range.
    """
    match = _SIZE.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        raise ValueError(f"got {text!r}; expected a cross-section like '1.5 mm²' or '16 AWG'")
    number = float(match[1])
    if match[2] == "AWG":
        if number > 30 or number != int(number):
            raise ValueError(f"got '{text}'; expected a gauge from '0 AWG' to '30 AWG'")
        return awg_mm2(int(number))
    if not 0.1 <= number <= 120:
        raise ValueError(f"got '{text}'; expected from '0.1 mm²' to '120 mm²'")
    return number


def awg_mm2(gauge: int) -> float:
    """The cross-section of an American wire gauge, in mm2."""
    diameter: float = 0.127 * 92 ** ((36 - gauge) / 39)
    return pi / 4 * diameter * diameter


@cache
def ohm_per_m(area_mm2: float, degc: float = 20.0) -> float:
    """Largest resistance of one metre of lead at a temperature in degC, in ohm."""
    return _between(LEAD_OHM_PER_M, area_mm2) * (1 + COPPER_ALPHA * (degc - 20))


def amperes(area_mm2: float, ambient_degc: float = AMPERES_AT_DEGC, bundled: int = 1) -> float:
    """Continuous current in A that keeps a lead's insulation within its temperature class.

    The rise over ambient is proportional to the square of the current, so the current is
    proportional to the square root of the allowed rise (common practice). ``bundled`` leads warm
    each other.
    """
    left = max(0.0, INSULATION_DEGC - ambient_degc) / (INSULATION_DEGC - AMPERES_AT_DEGC)
    share = [share for least, share in BUNDLE_SHARES if bundled >= least][-1]
    return _between(LEAD_AMPERES, area_mm2) * sqrt(left) * share


def smallest_for(current: float, ambient_degc: float, bundled: int = 1) -> float | None:
    """The smallest metric size in mm2 that carries a current in A; None if none does."""
    fits = (size for size in METRIC_SIZES if amperes(size, ambient_degc, bundled) >= current)
    return next(fits, None)


def _between(table: Sequence[tuple[float, float]], x: float) -> float:
    """Log-log interpolation, extrapolated beyond the ends."""
    place = min(max(bisect_left(table, (x, 0.0)), 1), len(table) - 1)
    (x0, y0), (x1, y1) = table[place - 1], table[place]
    return exp(log(y0) + (log(y1) - log(y0)) * (log(x) - log(x0)) / (log(x1) - log(x0)))


@dataclass(frozen=True, slots=True)
class Lead:
    """A copper lead: cross-section in mm2, length in m, temperature of the copper in degC.

    ``extra_ohm`` is the resistance of its terminals and connectors.
    """

    area_mm2: float
    length_m: float
    degc: float = 20.0
    extra_ohm: float = 0.0

    @property
    def ohm(self) -> float:
        """Resistance from end to end, in ohm."""
        return ohm_per_m(self.area_mm2, self.degc) * self.length_m + self.extra_ohm
