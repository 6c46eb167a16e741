"""What all tables of a file have in common, and what a condition in them is read by."""

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from linkloss.model.expression import Condition, parse_condition


def condition_of(text: object) -> Condition:
    """A condition from its text, over anything but the states of loads. Raises ValueError."""
    condition = _any_condition(text)
    if condition.loads:
        name = condition.loads[0]
        said = f"'{name} is' in the condition '{text}' asks for the state of a load, as only a"
        raise ValueError(f"{said} 'never' may; expected an input or a signal, like '{name} == ...'")
    return condition


def _any_condition(text: object) -> Condition:
    if isinstance(text, Condition):
        return text
    if not isinstance(text, str):
        raise ValueError(f"got {text!r}; expected a condition like 'lights == dipped'")
    return parse_condition(text)


ConditionText = Annotated[
    Any,
    BeforeValidator(condition_of),
    Field(json_schema_extra={"type": "string", "examples": ["lights == dipped"]}),
]

AnyCondition = Annotated[
    Any,
    BeforeValidator(_any_condition),
    Field(json_schema_extra={"type": "string", "examples": ["low_beam_left is off"]}),
]
"""A condition that may look at the states of loads too."""


def as_written(read: Callable[[object], object]) -> BeforeValidator:
    """Keeps what a user wrote, once ``read`` has understood it."""

    def check(text: object) -> object:
        read(text)
        return text

    return BeforeValidator(check)


class Table(BaseModel):
    """The base of every table: unknown keys are mistakes, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
