"""Ohm's and Kirchhoff's laws for straight lines: the voltages of a small circuit at one instant.

The unknowns are the voltages of points against the battery's minus (the body of the car), which is
point ``BODY``. Points are joined by leads (conductances) and elements (a load behind a resistance).
Non-linear elements (an LED's knee, a current limit) are solved by Newton's method.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import inf
from operator import mul

from linkloss.power.consumers import Line, Lined

BODY = -1
LEAK = 1e-9
"""Conductance in S from each point to the body, so that a floating point has a defined voltage: 0
V.
"""
ROUNDS = 100
HALVINGS = 30


@dataclass(slots=True)
class Element:
    """A load in series with ``ohm``, from point ``a`` to point ``b`` or ``BODY``, with at most
    ``limit`` A through it.

    After a solution, ``volts`` is the voltage from a to b and ``amps`` the mean current; while the
    switch is on, ``amps / duty`` flows.
    """

    a: int
    b: int
    ohm: float
    load: Lined
    limit: float = inf
    duty: float = 1.0
    volts: float = 0.0
    amps: float = 0.0
    lines: list[Line] = field(default_factory=list)
    ends: list[float] = field(default_factory=list)
    """Voltage from a to b at which each line but the last ends."""

    def __post_init__(self) -> None:
        self.prepare()

    def prepare(self) -> None:
        """Calculate its lines between a and b, from the load's, the resistance and the limit.

        Must be called again whenever one of these changes.
        """
        knees = self.load.knees()
        if knees:
            self._prepare_bent(knees)
            return
        g, i0 = self.load.line(0.0)
        whole = 1 + g * self.ohm
        line = Line(g / whole, i0 / whole)
        if self.limit < inf and g > 0:
            self.ends = [(self.limit - line.i0) / line.g]
            self.lines = [line, Line(0.0, self.limit)]
        else:
            self.ends, self.lines = [], [line]
        self._share()

    def _share(self) -> None:
        """Turn the currents into means over on and off time."""
        if self.duty != 1:
            self.lines = [Line(g * self.duty, i0 * self.duty) for g, i0 in self.lines]

    def _prepare_bent(self, knees: tuple[float, ...]) -> None:
        inner = [(low + high) / 2 for low, high in pairwise(knees)]
        lines = [self.load.line(v) for v in (knees[0] - 1, *inner, knees[-1] + 1)]
        self.ends = [v + self.ohm * (g * v + i0) for v, (g, i0) in zip(knees, lines, strict=False)]
        wholes = [1 + g * self.ohm for g, _ in lines]
        self.lines = [Line(g / w, i0 / w) for (g, i0), w in zip(lines, wholes, strict=True)]
        if self.limit < inf:
            self._cut()
        self._share()

    def _cut(self) -> None:
        """Keep the current at the limit from where it is reached."""
        for place, (g, i0) in enumerate(self.lines):
            if g <= 0:
                continue
            reached = (self.limit - i0) / g
            if place == len(self.ends) or reached < self.ends[place]:
                self.lines = [*self.lines[: place + 1], Line(0.0, self.limit)]
                self.ends = [*self.ends[:place], reached]
                return

    def line_at(self, volts: float) -> Line:
        """The line that holds at a voltage from a to b."""
        return self.lines[bisect_left(self.ends, volts)]


class Circuit:
    """Points and the leads between them. Leads may be replaced at any time."""

    def __init__(self, points: int) -> None:
        self.points = points
        self.clear()
        self.volts = [0.0] * (points + 1)
        """The voltage of each point; the last is the body's, so that ``volts[BODY]`` is 0."""
        self.slopes = [0.0] * (points + 1)
        """dV/dV: how each point follows the voltage of the source given to :meth:`solve`."""

    def clear(self) -> None:
        """Remove all leads."""
        self._base = [[0.0] * self.points for _ in range(self.points)]
        for point in range(self.points):
            self._base[point][point] = LEAK

    def lead(self, a: int, b: int, siemens: float) -> None:
        """Add a conductance between two points."""
        _stamp(self._base, a, b, siemens)

    def solve(self, elements: Sequence[Element], source: tuple[int, float] | None = None) -> None:
        """Solve for ``volts`` and for the volts and amps of all elements.

        ``source`` is a point and the conductance of the voltage source that feeds it; ``slopes``
        then says how all points follow that voltage.

        Newton's method: take the lines valid at the present point, solve, and go to the solution.
        If the way there crosses the end of a line, go only as far as the work done falls. Because
        no current falls as its voltage rises, there is one such point, and the method ends at the
        one solution.

        :raises ArithmeticError: if it does not end.
        """
        here, picks = self.volts, _picks(elements, self.volts)
        for _ in range(ROUNDS):
            self._solve(elements, picks, source)
            if _picks(elements, self.volts) == picks:
                break
            here = self._nearer(elements, here, self.volts)
            nearer = _picks(elements, here)
            if nearer == picks:
                break  # at a knee, rounding alone decides between two lines
            picks = nearer
        else:
            raise ArithmeticError("the circuit did not come to rest")
        volts = self.volts
        for element, pick in zip(elements, picks, strict=True):
            g, i0 = element.lines[pick]
            element.volts = across = volts[element.a] - volts[element.b]
            element.amps = g * across + i0

    def _nearer(
        self, elements: Sequence[Element], here: list[float], there: list[float]
    ) -> list[float]:
        """The point between the two at which the work done is least."""
        way = [to - at for at, to in zip(here, there, strict=True)]
        leads = [sum(map(mul, row, here)) for row in self._base] + [0.0]
        further = [sum(map(mul, row, way)) for row in self._base] + [0.0]
        at_here, rise = sum(map(mul, way, leads)), sum(map(mul, way, further))
        ends = [(e, _across(here, e), _across(way, e)) for e in elements]

        def slope(share: float) -> float:
            total: float = at_here + share * rise
            for element, volts, change in ends:
                at = volts + share * change
                g, i0 = element.line_at(at)
                total += (g * at + i0) * change
            return total

        low, high = 0.0, 1.0
        if slope(1.0) <= 0:
            return there
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            low, high = (middle, high) if slope(middle) <= 0 else (low, middle)
        return [at + high * by for at, by in zip(here, way, strict=True)]

    def _solve(
        self,
        elements: Sequence[Element],
        picks: Sequence[int],
        source: tuple[int, float] | None,
    ) -> None:
        matrix = [row[:] for row in self._base]
        right = [0.0] * self.points
        for element, pick in zip(elements, picks, strict=True):
            a, b = element.a, element.b
            g, i0 = element.lines[pick]
            if b == BODY:  # true of nearly all elements
                matrix[a][a] += g
            else:
                _stamp(matrix, a, b, g)
                right[b] += i0
            right[a] -= i0
        follow = [0.0] * self.points
        if source is not None:
            follow[source[0]] = source[1]
        _eliminate(matrix, right, follow)
        self.volts, self.slopes = [*right, 0.0], [*follow, 0.0]


def _across(volts: Sequence[float], element: Element) -> float:
    return volts[element.a] - volts[element.b]


def _picks(elements: Sequence[Element], volts: Sequence[float]) -> list[int]:
    """The index of the line that is valid for each element."""
    return [bisect_left(e.ends, volts[e.a] - volts[e.b]) for e in elements]


def _stamp(matrix: list[list[float]], a: int, b: int, g: float) -> None:
    if a >= 0:
        matrix[a][a] += g
    if b >= 0:
        matrix[b][b] += g
    if a >= 0 and b >= 0:
        matrix[a][b] -= g
        matrix[b][a] -= g


def _eliminate(matrix: list[list[float]], right: list[float], other: list[float]) -> None:
    """Gaussian elimination without pivoting, for a symmetric, diagonally dominant matrix. The two
    right-hand sides become the solutions. Zeros are skipped: most points have two or three
    neighbours.
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
