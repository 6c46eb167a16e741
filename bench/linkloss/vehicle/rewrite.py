"""Values of a vehicle file written anew in its text: what stands around them, comments and layout,
stays.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from typing import Any

from linkloss.vehicle.toml import Key, key_lines

Place = tuple[str, ...]
_STRING = re.compile(r"""\"(?:\\.|[^"\\])*\"|'[^']*'""")
_KEY = re.compile(r"""\s*("(?:[^"\\])*"|'[^']*'|[\w-]+)\s*=\s*""")


def rewritten(text: str, values: Mapping[Place, str]) -> tuple[str, tuple[Place, ...]]:
    """A TOML text with other texts at some places, and the places that have to be written by hand.

    A key that is missing is added to its table. What cannot be placed so that the file reads as
    before but for that value is left as it is.
    """
    by_hand = []
    for place, value in values.items():
        changed = _changed(text, place, value)
        if changed is None or not _as_wanted(text, changed, place, value):
            by_hand.append(place)
        else:
            text = changed
    return text, tuple(by_hand)


def _as_wanted(before: str, after: str, place: Place, value: str) -> bool:
    try:
        wanted, found = tomllib.loads(before), tomllib.loads(after)
    except tomllib.TOMLDecodeError:
        return False
    table: Any = wanted
    for key in place[:-1]:
        table = table.get(key) if isinstance(table, dict) else None
    if not isinstance(table, dict):
        return False
    table[place[-1]] = value
    return wanted == found


def _changed(text: str, place: Place, value: str) -> str | None:
    lines, known = text.split("\n"), key_lines(text)
    written = json.dumps(value, ensure_ascii=False)
    keys: tuple[Key, ...] = place
    for size in range(len(place), 0, -1):
        number = known.get(keys[:size])
        if number is None:
            continue
        line = lines[number - 1]
        if line.lstrip().startswith("["):  # the table's own header: the key is new
            if size != len(place) - 1:
                return None
            lines.insert(number, f"{place[-1]} = {written}")
            return "\n".join(lines)
        whole = max((known_at for known_at, at in known.items() if at == number), key=len)
        if len(whole) > size:  # 'electrical.kind = ...' is where 'electrical' is known from
            if size != len(place) - 1:
                return None
            head = line[: line.index("=")].split(".")[: size - len(whole)]
            lines.insert(number, f"{'.'.join(head).rstrip()}.{place[-1]} = {written}")
            return "\n".join(lines)
        changed = _in_value(line, _value_begins(line), place[size:], written)
        if changed is None:
            return None
        lines[number - 1] = changed
        return "\n".join(lines)
    return None


def _value_begins(line: str) -> int:
    """Where the value of an entry begins: behind the first equals sign outside of quotes."""
    place = 0
    while line[place] != "=":
        quoted = _STRING.match(line, place)
        place = quoted.end() if quoted else place + 1
    return place + 1 + len(line[place + 1 :]) - len(line[place + 1 :].lstrip())


def _in_value(line: str, begin: int, rest: Place, written: str) -> str | None:
    """A line with another text in the value that begins there, below the keys of inline tables."""
    if not rest:
        old = _STRING.match(line, begin)
        return None if old is None else line[:begin] + written + line[old.end() :]
    if line[begin] != "{":
        return None
    place = begin + 1
    while True:
        key = _KEY.match(line, place)
        if key is None:
            break
        if key[1].strip("\"'") == rest[0]:
            return _in_value(line, key.end(), rest[1:], written)
        place = _behind(line, key.end())
        if line[place : place + 1] != ",":
            break
        place += 1
    if len(rest) > 1 or line[place : place + 1] != "}":
        return None
    comma = "" if line[begin + 1 : place].strip() == "" else ","
    head = line[:place].rstrip()
    return f"{head}{comma} {rest[0]} = {written} {line[place:]}"


def _behind(line: str, place: int) -> int:
    """The comma or the bracket that ends the value that begins there."""
    depth = 0
    while place < len(line):
        quoted = _STRING.match(line, place)
        if quoted:
            place = quoted.end()
            continue
        if line[place] in "{[":
            depth += 1
        elif line[place] in "}]" and depth:
            depth -= 1
        elif line[place] in ",}" and not depth:
            return place
        place += 1
    return place
