"""What whoever watches a live session may ask of it: one small JSON object for each wish."""

from __future__ import annotations

import json
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

LONGEST = 4096
"""Bytes of a message from outside."""


class CommandError(ValueError):
    """A wish that cannot be granted; the text is for whoever had it."""


class _Command(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Set(_Command):
    """Set an input."""

    do: Literal["set"]
    input: str = Field(max_length=200)
    value: str | float


class Apply(_Command):
    """Apply a fault, by its number among the offers."""

    do: Literal["apply"]
    fault: int = Field(ge=0, le=100_000)


class Clear(_Command):
    """Clear a fault that is there."""

    do: Literal["clear"]
    fault: int = Field(ge=0, le=100_000)


class Plain(_Command):
    """A wish without particulars: clear all faults, stand still, go on, begin anew."""

    do: Literal["clear_all", "pause", "resume", "anew"]


class Step(_Command):
    """Go on to the next event, frame or change, and stand still there."""

    do: Literal["step"]
    to: Literal["event", "frame", "change"]


class Speed(_Command):
    """Go on faster or slower."""

    do: Literal["speed"]
    value: float = Field(ge=0.1, le=10)


class Save(_Command):
    """Save the session as a scenario."""

    do: Literal["save"]
    name: str = Field(max_length=60)


class Seen(_Command):
    """A state was shown."""

    do: Literal["seen"]
    state: int = Field(ge=0, lt=1 << 53)


Command = Set | Apply | Clear | Plain | Step | Speed | Save | Seen
_ADAPTER: TypeAdapter[Command] = TypeAdapter(Annotated[Command, Field(discriminator="do")])


def parse(text: str) -> Command:
    """A command from what came over a connection. Raises CommandError for anything else."""
    if len(text) > LONGEST:
        raise CommandError(f"got {len(text)} characters; expected at most {LONGEST}")
    try:
        return _ADAPTER.validate_python(json.loads(text, parse_constant=_no_number))
    except ValidationError as error:
        detail = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(key) for key in detail["loc"][1:])
        raise CommandError(f"{place}: {detail['msg']}" if place else detail["msg"]) from None
    except (ValueError, RecursionError):
        raise CommandError("this is no JSON") from None


def _no_number(word: str) -> float:
    """JSON has no NaN and no infinities (RFC 8259, section 6); Python's reader takes them."""
    raise ValueError(word)
