"""Conditions over inputs and received signals, as a vehicle file has them.

    lights == dipped and ignition != off
    indicator in [left, both] or hazard == on
    engine_speed > 500
    EngineData.Running == 1
    Gear.Selected in [Park, "Neutral gear"]
    Gear.Selected == 16 or LampRequest.Reverse
    low_beam_left is off

A name before a comparison is an input or ``Message.Signal``; a bare name after it is a position of
a switch, or the name that the DBC gives to a value of the signal. ``Message.Signal`` alone holds
while it is not zero. A name before ``is`` or ``is not`` is a load, and the word after it the load's
state. Nothing else of Python is understood, so a vehicle file cannot run code.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from keyword import kwlist
from math import isclose

from linkloss.problem import nearest

Value = str | float
NamedValues = Mapping[str, Mapping[str, tuple[float, ...]]]
"""By ``Message.Signal`` and name: the values that have it."""
Test = Callable[[Mapping[str, Value]], bool]


def _same(left: Value, right: Value) -> bool:
    """Whether two values are equal; numbers within the rounding of binary scaling: 3 steps of 0.1
    are 0.3.
    """
    if isinstance(left, float) and isinstance(right, float):
        return isclose(left, right, rel_tol=1e-9, abs_tol=1e-12)
    return left == right


_COMPARE: dict[type[ast.cmpop], Callable[[Value, Value], bool]] = {
    ast.Eq: _same,
    ast.NotEq: lambda left, right: not _same(left, right),
    ast.Gt: lambda left, right: float(left) > float(right),
    ast.GtE: lambda left, right: float(left) >= float(right),
    ast.Lt: lambda left, right: float(left) < float(right),
    ast.LtE: lambda left, right: float(left) <= float(right),
}
_SIGNAL = re.compile(r"\s*[^\W\d]\w*\.\w+\s*")
_KEYWORD = re.compile(rf"((?:[=!]=|[\[,]|\bin\s*\()\s*)({'|'.join(filter(str.islower, kwlist))})\b")
"""A position that is a Python keyword, such as ``in`` or ``pass``; it is read as if quoted."""
_STATES = ("on", "off", "flash")
_ORDERED = (ast.Gt, ast.GtE, ast.Lt, ast.LtE)


@dataclass(frozen=True, slots=True)
class Condition:
    """A parsed condition. ``names`` are the inputs and signals it reads, in order of appearance.
    ``positions`` maps each name to the switch positions it is compared with, ``numbers`` to the
    numbers; ``ordered`` holds the names that are compared by size and so must be numbers. ``loads``
    are the loads whose state it reads, each under its :func:`load_key`.
    """

    text: str
    names: tuple[str, ...]
    positions: Mapping[str, tuple[str, ...]]
    numbers: Mapping[str, tuple[float, ...]]
    ordered: frozenset[str]
    loads: tuple[str, ...]
    test: Test = field(repr=False, compare=False)

    def __call__(self, values: Mapping[str, Value]) -> bool:
        """Whether the condition holds for these values of its names."""
        return self.test(values)


def parse_condition(text: str, values: NamedValues | None = None) -> Condition:
    """Parse a condition. Raises ValueError that shows the part that is not understood.

    ``values``: the names of values of signals; one that stands for a single value is read as that.
    """
    reader = _Reader(_KEYWORD.sub(r"\1'\2'", text), values or {})
    try:
        if _SIGNAL.fullmatch(text):  # whatever its name: "in" is not a name to Python
            test = reader.not_zero(text.strip())
        else:
            test = reader.read(ast.parse(reader.text.strip(), mode="eval").body)
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
        loads=tuple(dict.fromkeys(reader.loads)),
        test=test,
    )


def load_key(load: str) -> str:
    """The name of a load's state among the values of a condition: an input may share the load's
    name.
    """
    return f"{load} is"


def split_signal(reference: str) -> tuple[str, str]:
    """``Message.Signal`` -> its two names; the second is empty when there is no dot."""
    message, _, signal = reference.partition(".")
    return message, signal


class _Reader:
    """Walks the syntax tree once, building the test and collecting what it refers to."""

    def __init__(self, text: str, values: NamedValues) -> None:
        self.text = text
        self.values = values
        self.names: list[str] = []
        self.positions: dict[str, list[str]] = {}
        self.numbers: dict[str, list[float]] = {}
        self.ordered: set[str] = set()
        self.loads: list[str] = []

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
        if isinstance(node, ast.Attribute):
            return self.not_zero(self._name(node))
        raise self._unclear(node)

    def not_zero(self, name: str) -> Test:
        """A signal that stands alone holds while it is not zero."""
        self.names.append(name)
        return lambda values: values[name] != 0

    def _state(self, node: ast.Compare) -> Test:
        """The state of a load: ``NAME is on``."""
        name, state = node.left, node.comparators[0]
        if not isinstance(name, ast.Name) or not isinstance(state, ast.Name):
            raise self._unclear(node)
        if state.id not in _STATES:
            text = f"got '{state.id}' in the condition '{self.text}'; expected one of:"
            raise ValueError(f"{text} {', '.join(_STATES)}{nearest(state.id, _STATES)}")
        self.loads.append(name.id)
        key, wanted = load_key(name.id), state.id
        if isinstance(node.ops[0], ast.Is):
            return lambda values: values[key] == wanted
        return lambda values: values[key] != wanted

    def _compare(self, node: ast.Compare) -> Test:
        if isinstance(node.ops[0], ast.Is | ast.IsNot):
            return self._state(node)
        name = self._name(node.left)
        kind = type(node.ops[0])
        right = node.comparators[0]
        self.names.append(name)
        if kind in (ast.In, ast.NotIn) and isinstance(right, ast.List | ast.Tuple):
            choices = [self._literal(name, item) for item in right.elts]
            if kind is ast.In:
                return lambda values: any(_same(values[name], choice) for choice in choices)
            return lambda values: not any(_same(values[name], choice) for choice in choices)
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
            return self._position(name, node.id)
        if isinstance(node, ast.Constant):
            if isinstance(node.value, str):
                return self._position(name, node.value)
            if isinstance(node.value, int | float) and not isinstance(node.value, bool):
                self.numbers.setdefault(name, []).append(float(node.value))
                return float(node.value)
        told = str(self._unclear(node))
        if isinstance(node, ast.BinOp | ast.Constant):  # such as half-open, True
            told += "; a position that is no plain word stands in quotation marks"
        raise ValueError(told)

    def _position(self, name: str, word: str) -> Value:
        """A position of a switch, or the value of a signal that has this name."""
        numbers = self.values.get(name, {}).get(word, ())
        if len(numbers) == 1:
            self.numbers.setdefault(name, []).append(numbers[0])
            return numbers[0]
        self.positions.setdefault(name, []).append(word)
        return word

    def _unclear(self, node: ast.expr) -> ValueError:
        part = ast.get_source_segment(self.text.strip(), node) or self.text
        return ValueError(
            f"cannot read '{part}' in the condition '{self.text}'; expected comparisons such as "
            "'lights == dipped' or 'engine_speed > 500', joined by and, or, not",
        )
