"""Ohm's and Kirchhoff's laws for straight lines: the voltages of a small circuit at one instant.

Unknowns are the voltages of points against the battery's minus (the body of the car), which is
point ``BODY``. Between points lie leads (conductances) and elements (a load behind a resistance).
Elements that bend (an LED's knee, a current limit) are solved by Newton's method, which on pieces
of lines ends after a few rounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import ClassVar, Protocol

from bench.power.loads import Line

BODY = -1
LEAK = 1e-9
"""S from each point to the body, so that a point which nothing holds has a voltage: none."""
ROUNDS = 40


class Bent(Protocol):
    """What draws a current that is a straight line around a voltage."""

    bends: ClassVar[bool]
    """Whether the line depends on the voltage."""

    def line(self, volts: float) -> Line:
        """The line."""


@dataclass(slots=True)
class Element:
    """A load behind ``ohm``, between points ``a`` and ``b``, with at most ``limit`` A through it
    (without an ``ohm``: always on, without a limit).

    After a solution ``volts`` stands from a to b and ``amps`` flows, as a mean over ``duty``;
    while it is on, ``amps / duty`` flows.
    """

    a: int
    b: int
    ohm: float
    load: Bent
    limit: float = inf
    duty: float = 1.0
    volts: float = 0.0
    amps: float = 0.0

    def line(self) -> Line:
        """Its line between a and b around the voltage of the last solution."""
        if not self.ohm:
            return self.load.line(self.volts)
        g, i0 = self.load.line(self.volts - self.ohm * self.amps / self.duty)
        whole = 1 + g * self.ohm
        g, i0 = g / whole, i0 / whole
        if g * self.volts + i0 > self.limit:
            g, i0 = 0.0, self.limit
        return Line(g * self.duty, i0 * self.duty)


class Circuit:
    """Points and the leads between them; leads may be set anew at any time."""

    def __init__(self, points: int) -> None:
        self.points = points
        self.clear()
        self.volts = [0.0] * points
        self.slopes = [0.0] * points
        """dV/dV of each point by the voltage of the source that was asked about."""

    def clear(self) -> None:
        """Take all leads away."""
        self._base = [[0.0] * self.points for _ in range(self.points)]
        for point in range(self.points):
            self._base[point][point] = LEAK

    def lead(self, a: int, b: int, siemens: float) -> None:
        """Add a conductance between two points."""
        _stamp(self._base, a, b, siemens)

    def solve(self, elements: Sequence[Element], source: tuple[int, float] | None = None) -> None:
        """Solve for ``volts`` and for the volts and amps of all elements.

        ``source``: a point and the conductance by which a source of voltage holds it; then
        ``slopes`` says how all points follow that voltage.
        """
        lines = [element.line() for element in elements]
        bent = [k for k, e in enumerate(elements) if e.load.bends or e.limit < inf]
        for _ in range(ROUNDS):
            self._solve(elements, lines, source)
            for element, (g, i0) in zip(elements, lines, strict=True):
                element.volts = volts = self._across(element.a, element.b)
                element.amps = g * volts + i0
            again = False
            for k in bent:
                line = elements[k].line()
                if line != lines[k]:
                    lines[k], again = line, True
            if not again:
                return

    def _across(self, a: int, b: int) -> float:
        return (self.volts[a] if a >= 0 else 0.0) - (self.volts[b] if b >= 0 else 0.0)

    def _solve(
        self,
        elements: Sequence[Element],
        lines: Sequence[Line],
        source: tuple[int, float] | None,
    ) -> None:
        matrix = [row[:] for row in self._base]
        right = [0.0] * self.points
        for element, (g, i0) in zip(elements, lines, strict=True):
            _stamp(matrix, element.a, element.b, g)
            if element.a >= 0:
                right[element.a] -= i0
            if element.b >= 0:
                right[element.b] += i0
        follow = [0.0] * self.points
        if source is not None:
            follow[source[0]] = source[1]
        self.volts, self.slopes = _eliminate(matrix, right, follow)


def _stamp(matrix: list[list[float]], a: int, b: int, g: float) -> None:
    if a >= 0:
        matrix[a][a] += g
    if b >= 0:
        matrix[b][b] += g
    if a >= 0 and b >= 0:
        matrix[a][b] -= g
        matrix[b][a] -= g


def _eliminate(
    matrix: list[list[float]], right: list[float], other: list[float]
) -> tuple[list[float], list[float]]:
    """Gauss's elimination without pivots, for a symmetric matrix with a heavy diagonal; two right
    sides. Zeros are passed over: most points have two or three neighbours.
    """
    size = len(right)
    for k in range(size):
        pivot = matrix[k]
        whole = 1 / pivot[k]
        touched = [j for j in range(k + 1, size) if pivot[j]]
        for i in touched:
            row = matrix[i]
            factor = row[k] * whole
            for j in touched:
                row[j] -= factor * pivot[j]
            right[i] -= factor * right[k]
            other[i] -= factor * other[k]
    for k in range(size - 1, -1, -1):
        pivot = matrix[k]
        first, second = right[k], other[k]
        for j in range(k + 1, size):
            if pivot[j]:
                first -= pivot[j] * right[j]
                second -= pivot[j] * other[j]
        right[k], other[k] = first / pivot[k], second / pivot[k]
    return right, other
