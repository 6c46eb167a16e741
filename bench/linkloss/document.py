"""How our values are written as JSON, the JSON Schema of that, and how they are read back.

A document is a pydantic model, or a dataclass that pydantic can read. What is written is complete.
What is read may come from an earlier version, which had fewer keys, or from a later one, whose
further keys are ignored.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    TypeAdapter,
    ValidationError,
)
from pydantic_core import CoreSchema, core_schema

from linkloss.problem import BadInput, Problem

DIALECT = "https://json-schema.org/draft/2020-12/schema"
Schema = dict[str, Any]
T = TypeVar("T")
Ns = Annotated[int, Field(description="nanoseconds")]
CONFIG = ConfigDict(use_attribute_docstrings=True)


class Document(BaseModel):
    """An object in JSON; the docstring after a field is its description."""

    model_config = ConfigDict(**CONFIG, frozen=True)


@dataclass(frozen=True, slots=True)
class Stored:
    """In the ``Annotated`` of a type of ours: the type is written in JSON as ``form``, a type that
    pydantic knows. ``write`` converts to it and ``read`` back. ``read`` may raise ValueError,
    TypeError or KeyError for what it cannot use. ``plain``: what is written is JSON already.
    """

    form: Any
    write: Callable[[Any], Any] = lambda value: value
    read: Callable[[Any], Any] = lambda value: value
    plain: bool = False

    def _read(self, value: Any) -> Any:
        try:
            return self.read(value)
        except (KeyError, TypeError) as error:
            raise ValueError(f"{type(error).__name__}, {error}") from None

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        form = handler.generate_schema(self.form)
        return core_schema.json_or_python_schema(
            json_schema=core_schema.no_info_after_validator_function(self._read, form),
            python_schema=core_schema.any_schema(),
            serialization=core_schema.plain_serializer_function_ser_schema(
                self.write, return_schema=None if self.plain else form
            ),
        )


Hex = Annotated[bytes, Stored(str, bytes.hex, bytes.fromhex), Field(description="in hexadecimal")]


def columns(names: Sequence[str]) -> Any:
    """A field that lists the columns of rows, for readers of the JSON."""
    return Field(default=list(names), json_schema_extra={"const": list(names)})


def lines_of(document: Mapping[str, Any]) -> Iterator[str]:
    """JSON with one line for each key and for each entry of an array: small, and good to diff.
    Bytes are JSON already.
    """
    separator = "{\n"
    for key, value in document.items():
        yield f"{separator}{json.dumps(key)}: "
        yield from _value(value)
        separator = ",\n"
    yield "\n}\n"


def _value(value: Any) -> Iterator[str]:
    if not isinstance(value, (list, Iterator)):
        yield _compact(value)
        return
    separator = "[\n "
    for entry in value:
        yield separator + _compact(entry)
        separator = ",\n "
    yield "[]" if separator == "[\n " else "\n]"


def _compact(value: Any) -> str:
    if isinstance(value, bytes):
        return value.decode()
    return json.dumps(value, separators=(",", ":"))


def schema_of(title: str, *parts: TypeAdapter[Any]) -> Schema:
    """The JSON Schema of a document with the keys of all parts, as it is written: complete."""
    made: Schema = {"$schema": DIALECT, "title": title, "type": "object"}
    found = [_whole(part.json_schema()) for part in parts]
    for key in ("properties", "$defs"):
        made[key] = {name: entry for part in found for name, entry in part.get(key, {}).items()}
    made["required"] = list(made["properties"])
    return made


def _whole(node: Any) -> Any:
    """Turn pydantic's schema for reading into one for writing: no key and no column is left out."""
    if isinstance(node, list):
        return [_whole(entry) for entry in node]
    if not isinstance(node, dict):
        return node
    made = {key: _whole(value) for key, value in node.items() if key != "default"}
    if isinstance(made.get("title"), str):
        del made["title"]
    if isinstance(made.get("properties"), dict):
        made["required"] = list(made["properties"])
    if "prefixItems" in made:
        made["minItems"] = made["maxItems"] = len(made["prefixItems"])
    return made


def read_text(path: Path, expected: str) -> bytes:
    """The content of a file. Raises BadInput with ``expected``, what the file should hold."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise BadInput.one(path, "", f"there is no such file; expected {expected}") from None
    except OSError as error:
        raise BadInput.one(path, "", f"cannot be read: {error.strerror}") from None


def read_back(kind: TypeAdapter[T], content: bytes | str, path: str | Path, what: str) -> T:
    """The value in a file. Raises BadInput for a damaged file: the first five mistakes, each with
    its place. ``what`` names the thing in messages: ``recording``.
    """
    try:
        return kind.validate_json(content, strict=True)
    except ValidationError as error:
        problems = [
            _problem(path, dict(detail), what) for detail in error.errors(include_url=False)[:5]
        ]
        raise BadInput(problems) from None


def _problem(path: str | Path, detail: dict[str, Any], what: str) -> Problem:
    place, text = detail["loc"], " ".join(str(detail["msg"]).split())
    if detail["type"] == "json_invalid":
        text = f"this is no JSON ({text.removeprefix('Invalid JSON: ')})"
        return Problem(str(path), "", f"{text}; expected a {what} that --json has written")
    if detail["type"] == "missing" and len(place) == 1:
        return Problem(str(path), "", f"the {what} has no '{place[0]}'")
    where = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in place)
    got = repr(detail["input"])
    got = got if len(got) <= 60 else f"{got[:57]}..."
    text = text.removeprefix("Value error, ")
    return Problem(str(path), where.lstrip("."), f"the {what} is damaged: {text}, got {got}")
