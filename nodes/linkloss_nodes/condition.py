"""What a node decides by, written as a person would: ``lights == dipped and ignition != off``.

Comparisons of an input or a received ``Message.Signal`` with a position or a number, joined by
``and``, ``or``, ``not`` and brackets; a ``Message.Signal`` alone holds while it is not zero. It is
the grammar of a vehicle file, read here a second time on purpose: what judges a node must not make
the node's mistakes. ``tests/nodes/test_condition_text.py`` holds the two against each other.
"""

from __future__ import annotations

import ast
import operator
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from keyword import kwlist
from math import isclose

from linkloss_nodes.api import SettingsError

Value = str | float
Values = Mapping[str, Value | None]
Test = Callable[[Values], bool | None]
"""Whether something holds; None where that is not known."""

_SIGNAL = re.compile(r"[^\W\d]\w*\.\w+")
_KEYWORD = re.compile(rf"((?:[=!]=|[\[,]|\bin\s*\()\s*)({'|'.join(filter(str.islower, kwlist))})\b")
"""A position that is a word of Python's own, such as ``in`` or ``pass``; it is read in quotes."""
_ORDERED: dict[type[ast.cmpop], Callable[[float, float], bool]] = {
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
}


@dataclass(frozen=True, slots=True)
class Condition:
    """A parsed condition, and the inputs and signals that it reads, each once."""

    names: tuple[str, ...]
    test: Test

    def holds(self, values: Values) -> bool:
        """Whether the condition holds for the values of its names; not while a value decides that
        is not known (None).
        """
        return self.test(values) is True


def parse_condition(text: object, key: str = "") -> Condition:
    """Parse a condition. Raises SettingsError, for the setting ``key``, showing what is wrong."""
    if not isinstance(text, str):
        raise SettingsError(key, f"got {text!r}; expected a condition like 'lights == dipped'")
    try:
        return _parsed(text.strip())
    except (SyntaxError, ValueError, RecursionError) as error:
        part = str(error) if type(error) is ValueError else text
        raise SettingsError(
            key,
            f"cannot read '{part}' in the condition '{text}'; expected comparisons such as "
            "'lights == dipped' or 'speed > 500', joined by and, or, not",
        ) from None


@cache  # a program reads its settings anew after each reset
def _parsed(text: str) -> Condition:
    names: list[str] = []
    if _SIGNAL.fullmatch(text):  # whatever it is called: "in" is no name to Python
        test = _not_zero(text, names)
    else:
        test = _test(ast.parse(_KEYWORD.sub(r"\1'\2'", text), mode="eval").body, names)
    return Condition(tuple(dict.fromkeys(names)), test)


def _test(node: ast.expr, names: list[str]) -> Test:
    """What a part of a condition asks; ``names`` takes what it reads. Raises ValueError with the
    part that is not understood.
    """
    match node:
        case ast.BoolOp(op=joint, values=parts):
            tests = [_test(part, names) for part in parts]
            return _joined(tests, decides=isinstance(joint, ast.Or))
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            inner = _test(operand, names)
            return lambda values: None if (found := inner(values)) is None else not found
        case ast.Compare(left=left, ops=[comparison], comparators=[right]):
            if not isinstance(left, ast.Name | ast.Attribute):
                raise ValueError(ast.unparse(left))
            names.append(ast.unparse(left))
            return _known(names[-1], _compared(comparison, right))
        case ast.Attribute():
            return _not_zero(ast.unparse(node), names)
    raise ValueError(ast.unparse(node))


def _joined(tests: list[Test], *, decides: bool) -> Test:
    """Tests of which one decides alone: one that holds of those joined by ``or``, one that does
    not of those joined by ``and``.
    """

    def joined(values: Values) -> bool | None:
        found = [test(values) for test in tests]
        if decides in found:
            return decides
        return None if None in found else not decides

    return joined


def _not_zero(name: str, names: list[str]) -> Test:
    names.append(name)
    return _known(name, lambda value: value != 0)


def _known(name: str, holds: Callable[[Value], bool]) -> Test:
    return lambda values: None if (value := values[name]) is None else holds(value)


def _compared(comparison: ast.cmpop, right: ast.expr) -> Callable[[Value], bool]:
    among = isinstance(comparison, ast.In | ast.NotIn)
    listed = right.elts if among and isinstance(right, ast.List | ast.Tuple) else [right]
    wanted = [_literal(item) for item in listed]
    if isinstance(comparison, ast.Eq | ast.In):
        return lambda value: any(_same(value, one) for one in wanted)
    if isinstance(comparison, ast.NotEq | ast.NotIn):
        return lambda value: not any(_same(value, one) for one in wanted)
    limit, ordered = wanted[0], _ORDERED.get(type(comparison))
    if ordered is None or isinstance(limit, str):
        raise ValueError(ast.unparse(right))
    return lambda value: ordered(float(value), limit)


def _same(one: Value, other: Value) -> bool:
    """Numbers are equal but for what scaling in binary leaves: 3 steps of 0.1 are 0.3."""
    if isinstance(one, str) or isinstance(other, str):
        return one == other
    return isclose(one, other, rel_tol=1e-9, abs_tol=1e-12)


def _literal(node: ast.expr) -> Value:
    if isinstance(node, ast.Name):
        return node.id
    value = ast.literal_eval(node)
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError(ast.unparse(node))
    return value if isinstance(value, str) else float(value)
