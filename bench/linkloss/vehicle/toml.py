"""TOML files, read so that every mistake can be reported with file, line, table and key.

Also what all tables of a file share, and how conditions in them are read.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
)

from linkloss.problem import BadInput, Problem, unknown
from linkloss.units import FROM_FILE
from linkloss.vehicle.expression import Condition, NamedValues, parse_condition

VALUES = "values"
"""Under this key a model that is filled finds the named values of signals."""
ModelT = TypeVar("ModelT", bound=BaseModel)
Key = str | int
_HEADER = re.compile(r"^\s*(\[\[?)\s*(.+?)\s*\]\]?\s*(?:#.*)?$")
_ENTRY = re.compile(
    r"""^\s*((?:"[^"]*"|'[^']*'|[\w-]+)(?:\s*\.\s*(?:"[^"]*"|'[^']*'|[\w-]+))*)\s*="""
)
_TOKEN = re.compile(r"""\"{3}|'{3}|"(?:\\.|[^"\\])*"|'[^']*'|\#.*|[\[\]{}]""")
_TEXT_END = {'"""': re.compile(r'(?:\\.|[^\\])*?"""'), "'''": re.compile(r".*?'''")}
_PART = re.compile(r""""([^"]*)"|'([^']*)'|([\w-]+)""")


def read_toml(path: Path, what: str) -> tuple[dict[str, Any], str]:
    """The parsed document and its text. Raises BadInput for a file that is missing, and for a text
    that is not TOML, or a scenario where a vehicle is expected or the other way round.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise BadInput.one(path, "", f"there is no such file; expected a {what} file") from None
    except IsADirectoryError:
        raise BadInput.one(path, "", f"this is a folder; expected a {what} file") from None
    except UnicodeDecodeError:
        raise BadInput.one(path, "", f"this is no text in UTF-8; expected a {what} file") from None
    except OSError as error:
        raise BadInput.one(path, "", f"cannot be read: {error.strerror}") from None
    return parsed_toml(text, path, what), text


def parsed_toml(text: str, path: Path, what: str) -> dict[str, Any]:
    """The document in a text. Raises BadInput as :func:`read_toml` does."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"line (\d+)", str(error))
        line = int(found[1]) if found else 0
        raise BadInput.one(path, "", f"this is no valid TOML: {error}", line) from None
    of_vehicle = not {"dbc", "bus", "nodes"}.isdisjoint(document)
    if what == "vehicle" and "vehicle" in document and not of_vehicle:
        told = f"this is a scenario of '{document['vehicle']}', which 'linkloss run' runs"
        raise BadInput.one(path, "", f"{told}; expected a vehicle file")
    if what == "scenario" and of_vehicle and "vehicle" not in document:
        told = "this is a vehicle, which 'linkloss check' checks"
        raise BadInput.one(path, "", f"{told}; expected a scenario file")
    return document


def key_lines(text: str) -> dict[tuple[Key, ...], int]:
    """The place of each table and key of a TOML text: path -> line (from 1).

    Entries of arrays of tables carry their index in the path. Keys inside inline tables are not
    listed; the line of the key that holds them is used.
    """
    lines: dict[tuple[Key, ...], int] = {}
    counts: dict[tuple[Key, ...], int] = {}
    table: tuple[Key, ...] = ()
    for number, line in _statements(text):
        header = _HEADER.match(line)
        if header:
            table = _absolute(_parts(header[2]), counts)
            if header[1] == "[[":
                index = counts.get(table, 0)
                counts[table] = index + 1
                lines.setdefault(table, number)
                table = (*table, index)
            lines.setdefault(table, number)
            continue
        entry = _ENTRY.match(line)
        if entry:
            parts = _parts(entry[1])
            for size in range(1, len(parts) + 1):
                lines.setdefault((*table, *parts[:size]), number)
    return lines


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """The numbered lines on which a header or an entry may begin: not those that continue an array
    or a multi-line text, where anything may appear.
    """
    depth, quotes = 0, ""
    for number, line in enumerate(text.split("\n"), start=1):
        if depth == 0 and not quotes:
            yield number, line
        depth, quotes = _after_line(line, depth, quotes)


def _after_line(line: str, depth: int, quotes: str) -> tuple[int, str]:
    """The bracket depth at the end of a line, and the quotes of the text that is still open there,
    if any.
    """
    place = 0
    while True:
        if quotes:
            end = _TEXT_END[quotes].match(line, place)
            if end is None:
                return depth, quotes
            place, quotes = end.end(), ""
        token = _TOKEN.search(line, place)
        if token is None:
            return depth, quotes
        place = token.end()
        if token[0] in _TEXT_END:
            quotes = token[0]
        elif token[0] in "[{":
            depth += 1
        elif token[0] in "]}":
            depth -= 1


def _parts(dotted: str) -> tuple[str, ...]:
    return tuple(a or b or c for a, b, c in _PART.findall(dotted))


def _absolute(parts: tuple[str, ...], counts: Mapping[tuple[Key, ...], int]) -> tuple[Key, ...]:
    """Insert the index of the current entry after every array of tables on the way."""
    path: tuple[Key, ...] = ()
    for depth, part in enumerate(parts):
        path = (*path, part)
        if depth < len(parts) - 1 and path in counts:
            path = (*path, counts[path] - 1)
    return path


def marked_keys(text: str, word: str) -> list[str]:
    """The keys of a TOML text, by table, with a comment behind them that begins with a word."""
    lines = {number: place for place, number in key_lines(text).items()}
    comment = re.compile(rf"#\s*{word}\b")
    found = []
    for number, line in enumerate(text.split("\n"), start=1):
        tokens = [token[0] for token in _TOKEN.finditer(line)]
        if number in lines and tokens and comment.match(tokens[-1]):
            found.append(show_location(lines[number]))
    return found


class Source:
    """A TOML file with the lines of its keys: makes Problems that point at the right place."""

    def __init__(self, path: Path, text: str) -> None:
        self.path = path
        self.text = text
        self._lines = key_lines(text)
        self.values: NamedValues = {}
        """The names of values of signals that conditions may use, by ``Message.Signal``."""

    def line(self, location: tuple[Key, ...]) -> int:
        """The line of a key, or of the nearest known table or key around it."""
        for size in range(len(location), 0, -1):
            if location[:size] in self._lines:
                return self._lines[location[:size]]
        return 0

    def problem(self, location: tuple[Key, ...], text: str) -> Problem:
        """A mistake at a place given as a path of keys."""
        if location[:2] == ("bus", ""):  # the only bus, and it has no name
            location = ("bus", *location[2:])
        return Problem(str(self.path), show_location(location), text, self.line(location))

    def parse(
        self, model: type[ModelT], document: Mapping[str, Any], place: tuple[Key, ...] = ()
    ) -> ModelT:
        """Fill a model from the document, or from its table at ``place``. Raises BadInput with all
        mistakes.
        """
        try:
            return model.model_validate(document, context={**FROM_FILE, VALUES: self.values})
        except ValidationError as error:
            raise BadInput(self._problems(model, error, place)) from None

    def _problems(
        self, model: type[BaseModel], error: ValidationError, place: tuple[Key, ...]
    ) -> list[Problem]:
        found = []
        for detail in error.errors(include_url=False):
            location = detail["loc"]
            if detail["type"] == "extra_forbidden":
                valid = _keys_at(model, location[:-1])
                text = unknown("key", str(location[-1]), valid)
            elif detail["type"] == "missing":
                text = "this key is missing"
            else:
                text = _plain_text(detail)
            found.append(self.problem((*place, *location), text))
        return found


def _plain_text(detail: Any) -> str:
    text: str = detail["msg"].removeprefix("Value error, ")
    if detail["type"] == "literal_error":
        return f"got {detail['input']!r}; expected {detail['ctx']['expected']}"
    if detail["type"] == "value_error":
        return text
    return f"{text[0].lower()}{text[1:]}, got {detail['input']!r}"


def show_location(location: Iterable[Key]) -> str:
    """``loads.tail_lamp.request``, with array entries counted from one: ``steps[2].at``."""
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            quoted = part if re.fullmatch(r"[\w-]+", part) else f'"{part}"'
            text += f".{quoted}" if text else quoted
    return text


def _keys_at(model: type[BaseModel], location: tuple[Key, ...]) -> list[str]:
    """The keys that a table at this place may have, for the message about one that it may not."""
    current: Any = model
    for part in location:
        if isinstance(current, type) and issubclass(current, BaseModel):
            current = _field(current, part)
        else:
            current = _inner(current)
    current = _model_in(current)
    if current is None:
        return []
    return [field.alias or name for name, field in current.model_fields.items()]


def _field(model: type[BaseModel], part: Key) -> Any:
    for name, field in model.model_fields.items():
        if part in (name, field.alias):
            return _model_in(field.annotation) or field.annotation
    return None


def _inner(annotation: Any) -> Any:
    arguments = [arg for arg in getattr(annotation, "__args__", ()) if arg is not Ellipsis]
    return arguments[-1] if arguments else None


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The model in an annotation such as ``Model | None``, or None."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if getattr(annotation, "__origin__", None) in (dict, tuple, list):
        return None
    for argument in getattr(annotation, "__args__", ()):
        found = _model_in(argument)
        if found is not None:
            return found
    return None


def named_values(info: ValidationInfo) -> NamedValues:
    """The names of values that a condition may use, while a model is filled."""
    found: NamedValues = (info.context or {}).get(VALUES, {})
    return found


def condition_of(text: object, values: NamedValues | None = None) -> Condition:
    """A condition from its text, over anything but the states of loads. Raises ValueError."""
    condition = _any_condition(text, values)
    if condition.loads:
        name = condition.loads[0]
        said = f"'{name} is' in the condition '{text}' asks for the state of a load, as only a"
        raise ValueError(f"{said} 'never' may; expected an input or a signal, like '{name} == ...'")
    return condition


def _any_condition(text: object, values: NamedValues | None = None) -> Condition:
    if isinstance(text, Condition):
        return text
    if not isinstance(text, str):
        raise ValueError(f"got {text!r}; expected a condition like 'lights == dipped'")
    return parse_condition(text, values)


def _checked(text: object, info: ValidationInfo) -> Condition:
    return condition_of(text, named_values(info))


def _any_checked(text: object, info: ValidationInfo) -> Condition:
    return _any_condition(text, named_values(info))


ConditionText = Annotated[
    Any,
    BeforeValidator(_checked),
    Field(json_schema_extra={"type": "string", "examples": ["lights == dipped"]}),
]

AnyCondition = Annotated[
    Any,
    BeforeValidator(_any_checked),
    Field(json_schema_extra={"type": "string", "examples": ["low_beam_left is off"]}),
]
"""A condition that may read the states of loads too."""


def as_written(read: Callable[[object], object]) -> BeforeValidator:
    """Keep what a user wrote, once ``read`` has accepted it."""

    def check(text: object) -> object:
        read(text)
        return text

    return BeforeValidator(check)


class Table(BaseModel):
    """The base of every table: unknown keys are mistakes, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
