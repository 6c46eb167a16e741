"""The car from above, front at the top: where its nodes, its cable and its loads are drawn.

The cable runs down the middle of the car with the nodes in cable order, and each node has its loads
on both sides. A load whose name says left or right is drawn on that side; the others balance the
sides. Lengths are in units of the drawing, which is 400 wide.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from typing import Literal, NamedTuple

from linkloss.vehicle.loading import Vehicle

WIDTH = 400
MIDDLE = WIDTH // 2
_ROW, _LEAST_NODE, _GAP = 31, 46, 42
_HEAD, _FOOT = 54, 46
_NODE_WIDTH = 84
_LONGEST_LINE = 13
_STRAND, _TWIST = 7.0, 12

_LAMP = re.compile(r"lamp|light|beam|indicator|tell-?tale|tail|brake", re.IGNORECASE)
_MOTOR = re.compile(r"motor|pump|fan|wiper|winding", re.IGNORECASE)
Symbol = Literal["lamp", "motor", "other"]


class LoadMark(NamedTuple):
    """A load: its symbol and the middle of that, and its name in one or two lines."""

    name: str
    about: str
    symbol: Symbol
    left: bool
    x: int
    y: int
    lines: tuple[str, ...]

    @property
    def lead(self) -> str:
        """The path of its lead, from its node."""
        edge = MIDDLE + (-_NODE_WIDTH // 2 if self.left else _NODE_WIDTH // 2)
        return f"M{edge} {self.y}H{self.x + (10 if self.left else -10)}"


class NodeMark(NamedTuple):
    """A node: its box and its loads."""

    name: str
    x: int
    y: int
    width: int
    height: int
    loads: tuple[LoadMark, ...]

    @property
    def middle(self) -> int:
        """The height of its middle."""
        return self.y + self.height // 2


class GapMark(NamedTuple):
    """A piece of cable between two nodes."""

    name: str
    between: tuple[str, str]
    y: int
    height: int
    strands: tuple[str, str]

    @property
    def middle(self) -> int:
        """The height of its middle."""
        return self.y + self.height // 2


class CarDrawing(NamedTuple):
    """The whole car."""

    width: int
    height: int
    nodes: tuple[NodeMark, ...]
    gaps: tuple[GapMark, ...]


def draw_car(vehicle: Vehicle) -> CarDrawing:
    """Lay out the drawing of a vehicle."""
    nodes: list[NodeMark] = []
    top = _HEAD
    for name in vehicle.along:
        left, right = _sides(vehicle, name)
        rows = max(len(left), len(right))
        height = max(_LEAST_NODE, rows * _ROW)
        loads = (
            *_column(vehicle, left, top, height, left=True),
            *_column(vehicle, right, top, height, left=False),
        )
        nodes.append(
            NodeMark(name, MIDDLE - _NODE_WIDTH // 2, top, _NODE_WIDTH, height, tuple(loads))
        )
        top += height + _GAP
    gaps = tuple(_gap(before, node) for before, node in pairwise(nodes))
    return CarDrawing(WIDTH, top - _GAP + _FOOT, tuple(nodes), gaps)


def _sides(vehicle: Vehicle, node: str) -> tuple[list[str], list[str]]:
    left: list[str] = []
    right: list[str] = []
    free: list[str] = []
    for name, load in vehicle.loads.items():
        if load.node != node:
            continue
        text = f"{name} {load.about}".lower()
        side = left if "left" in text else right if "right" in text else free
        side.append(name)
    for name in free:
        (left if len(left) <= len(right) else right).append(name)
    return left, right


def _column(
    vehicle: Vehicle, names: Sequence[str], top: int, height: int, *, left: bool
) -> list[LoadMark]:
    first = top + (height - (len(names) - 1) * _ROW) // 2
    x = MIDDLE - 65 if left else MIDDLE + 65
    return [
        LoadMark(
            name=name,
            about=vehicle.loads[name].about,
            symbol=_symbol(f"{name} {vehicle.loads[name].about}"),
            left=left,
            x=x,
            y=first + place * _ROW,
            lines=lines(name),
        )
        for place, name in enumerate(names)
    ]


def _symbol(text: str) -> Symbol:
    if _MOTOR.search(text):
        return "motor"
    return "lamp" if _LAMP.search(text) else "other"


def lines(name: str) -> tuple[str, ...]:
    """A name in one line, or in two of about equal length, split at an underscore."""
    if len(name) <= _LONGEST_LINE or "_" not in name:
        return (name,)
    places = [at for at, char in enumerate(name) if char == "_"]
    at = min(places, key=lambda place: abs(2 * place - len(name)))
    return name[:at], name[at:]


def _gap(above: NodeMark, below: NodeMark) -> GapMark:
    top = above.y + above.height
    height = below.y - top
    between = (above.name, below.name)
    strands = (_strand(top, height, 1), _strand(top, height, -1))
    return GapMark("|".join(between), between, top, height, strands)


def _strand(top: int, height: int, side: int) -> str:
    """One conductor of the twisted pair: a wave down the middle."""
    waves = max(1, round(height / _TWIST))
    step = height / waves
    path = f"M{MIDDLE} {top}"
    for wave in range(waves):
        out = MIDDLE + (_STRAND if (wave % 2 == 0) == (side > 0) else -_STRAND)
        path += f"Q{out:g} {top + (wave + 0.5) * step:g} {MIDDLE} {top + (wave + 1) * step:g}"
    return path
