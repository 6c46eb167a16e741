"""What a node decides by, written as a person would: ``lights == dipped and ignition != off``.

Comparisons of an input or a received ``Message.Signal`` with a position or a number, joined by
``and`` and ``or`` (``and`` binds closer; there are no brackets).
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from linkloss_nodes.api import SettingsError

Value = str | float
Values = Mapping[str, Value | None]

_TERM = re.compile(
    r"\s*([A-Za-z_]\w*(?:\.\w+)?)\s*(==|!=|<=|>=|<|>|\bnot\s+in\b|\bin\b)\s*(.+?)\s*"
)
_ORDERED: dict[str, Callable[[float, float], bool]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}


@dataclass(frozen=True, slots=True)
class Term:
    """One comparison. What is not known (None) compares with nothing: the term does not hold."""

    name: str
    operation: str
    wanted: tuple[Value, ...]

    def holds(self, values: Values) -> bool:
        """Whether the comparison holds."""
        value = values[self.name]
        if value is None:
            return False
        if self.operation in ("==", "in"):
            return value in self.wanted
        if self.operation in ("!=", "not in"):
            return value not in self.wanted
        return _ORDERED[self.operation](float(value), float(self.wanted[0]))


@dataclass(frozen=True, slots=True)
class Condition:
    """A parsed condition: it holds when all terms of one of its alternatives do."""

    alternatives: tuple[tuple[Term, ...], ...]

    @property
    def names(self) -> tuple[str, ...]:
        """The inputs and signals that it reads, each once."""
        terms = [term.name for terms in self.alternatives for term in terms]
        return tuple(dict.fromkeys(terms))

    def holds(self, values: Values) -> bool:
        """Whether the condition holds for the values of its names."""
        return any(all(term.holds(values) for term in terms) for terms in self.alternatives)


def parse_condition(text: object, key: str = "") -> Condition:
    """Parse a condition. Raises SettingsError, for the setting ``key``, showing what is wrong."""
    if not isinstance(text, str):
        raise SettingsError(key, f"got {text!r}; expected a condition like 'lights == dipped'")
    alternatives = re.split(r"\bor\b", text)
    return Condition(
        tuple(
            tuple(_term(part, text, key) for part in re.split(r"\band\b", alternative))
            for alternative in alternatives
        ),
    )


def _term(part: str, text: str, key: str) -> Term:
    match = _TERM.fullmatch(part)
    if match is None:
        raise SettingsError(
            key,
            f"cannot read '{part.strip()}' in the condition '{text}'; expected comparisons such as "
            "'lights == dipped' or 'speed > 500', joined by and, or",
        )
    name, operation, right = match.groups()
    operation = " ".join(operation.split())
    if operation in ("in", "not in"):
        wanted = tuple(_literal(item) for item in right.strip("[]").split(","))
    else:
        wanted = (_literal(right),)
    if operation in _ORDERED and not isinstance(wanted[0], float):
        raise SettingsError(key, f"'{right}' in the condition '{text}' is no number")
    return Term(name, operation, wanted)


def _literal(text: str) -> Value:
    text = text.strip().strip("'\"")
    try:
        return float(text)
    except ValueError:
        return text
