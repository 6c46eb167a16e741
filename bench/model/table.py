"""What all tables of a file have in common, and what a condition in them is read by."""

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from bench.model.expression import Condition, parse_condition


def _condition(text: object) -> Condition:
    if isinstance(text, Condition):
        return text
    if not isinstance(text, str):
        raise ValueError(f"got {text!r}; expected a condition like 'lights == dipped'")
    return parse_condition(text)


ConditionText = Annotated[
    Any,
    BeforeValidator(_condition),
    Field(json_schema_extra={"type": "string", "examples": ["lights == dipped"]}),
]


def as_written(read: Callable[[object], object]) -> BeforeValidator:
    """Keeps what a user wrote, once ``read`` has understood it."""

    def check(text: object) -> object:
        read(text)
        return text

    return BeforeValidator(check)


class Table(BaseModel):
    """The base of every table: unknown keys are mistakes, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
