"""Conditions over inputs and received signals, as they stand in a vehicle file.

    lights == dipped and ignition != off
    indicator in [left, both] or hazard == on
    engine_speed > 500
    EngineData.Running == 1

A name before a comparison is an input or ``Message.Signal``; a bare name behind it is a position
of a switch. Nothing else of Python is understood, so a vehicle file cannot run code.
"""

from __future__ import annotations

import ast
import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

Value = str | float
Test = Callable[[Mapping[str, Value]], bool]

_COMPARE: dict[type[ast.cmpop], Callable[[Value, Value], bool]] = {
    ast.Eq: operator.eq,
    ast.NotEq: operator.ne,
    ast.Gt: lambda left, right: float(left) > float(right),
    ast.GtE: lambda left, right: float(left) >= float(right),
    ast.Lt: lambda left, right: float(left) < float(right),
    ast.LtE: lambda left, right: float(left) <= float(right),
}
_ORDERED = (ast.Gt, ast.GtE, ast.Lt, ast.LtE)


@dataclass(frozen=True, slots=True)
class Condition:
    """A parsed condition. ``names`` are the inputs and signals it reads, in order of appearance;
    ``positions`` maps each name to the switch positions it is compared with, ``numbers`` to the
    numbers; ``ordered`` holds the names that are compared by size and so must be numbers.
    """

    text: str
    names: tuple[str, ...]
    positions: Mapping[str, tuple[str, ...]]
    numbers: Mapping[str, tuple[float, ...]]
    ordered: frozenset[str]
    test: Test = field(repr=False, compare=False)

    def __call__(self, values: Mapping[str, Value]) -> bool:
        """Whether the condition holds for these values of its names."""
        return self.test(values)


def parse_condition(text: str) -> Condition:
    """Parse a condition. Raises ValueError that shows the part that is not understood."""
    try:
        reader = _Reader(text)
        test = reader.read(ast.parse(text.strip(), mode="eval").body)
    except SyntaxError as error:
        raise ValueError(f"cannot read the condition '{text}': {error.msg}") from None
    except (RecursionError, MemoryError):
        raise ValueError(f"the condition '{text}' is nested too deeply") from None
    return Condition(
        text=text,
        names=tuple(dict.fromkeys(reader.names)),
        positions={name: tuple(found) for name, found in reader.positions.items()},
        numbers={name: tuple(found) for name, found in reader.numbers.items()},
        ordered=frozenset(reader.ordered),
        test=test,
    )


class _Reader:
    """Walks the syntax tree once, building the test and collecting what it refers to."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.names: list[str] = []
        self.positions: dict[str, list[str]] = {}
        self.numbers: dict[str, list[float]] = {}
        self.ordered: set[str] = set()

    def read(self, node: ast.expr) -> Test:
        if isinstance(node, ast.BoolOp):
            parts = [self.read(value) for value in node.values]
            if isinstance(node.op, ast.And):
                return lambda values: all(part(values) for part in parts)
            return lambda values: any(part(values) for part in parts)
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            inner = self.read(node.operand)
            return lambda values: not inner(values)
        if isinstance(node, ast.Compare) and len(node.ops) == 1:
            return self._compare(node)
        raise self._unclear(node)

    def _compare(self, node: ast.Compare) -> Test:
        name = self._name(node.left)
        kind = type(node.ops[0])
        right = node.comparators[0]
        self.names.append(name)
        if kind in (ast.In, ast.NotIn) and isinstance(right, ast.List | ast.Tuple):
            choices = [self._literal(name, item) for item in right.elts]
            if kind is ast.In:
                return lambda values: values[name] in choices
            return lambda values: values[name] not in choices
        if kind not in _COMPARE:
            raise self._unclear(node)
        if kind in _ORDERED:
            self.ordered.add(name)
        compare, wanted = _COMPARE[kind], self._literal(name, right)
        return lambda values: compare(values[name], wanted)

    def _name(self, node: ast.expr) -> str:
        if isinstance(node, ast.Name):
            return node.id
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            return f"{node.value.id}.{node.attr}"
        raise self._unclear(node)

    def _literal(self, name: str, node: ast.expr) -> Value:
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
            value = self._literal(name, node.operand)
            if isinstance(value, float):
                return -value
        if isinstance(node, ast.Name):
            self.positions.setdefault(name, []).append(node.id)
            return node.id
        if isinstance(node, ast.Constant):
            if isinstance(node.value, str):
                self.positions.setdefault(name, []).append(node.value)
                return node.value
            if isinstance(node.value, int | float) and not isinstance(node.value, bool):
                self.numbers.setdefault(name, []).append(float(node.value))
                return float(node.value)
        raise self._unclear(node)

    def _unclear(self, node: ast.expr) -> ValueError:
        part = ast.get_source_segment(self.text.strip(), node) or self.text
        return ValueError(
            f"cannot read '{part}' in the condition '{self.text}'; expected comparisons such as "
            "'lights == dipped' or 'engine_speed > 500', joined by and, or, not",
        )
