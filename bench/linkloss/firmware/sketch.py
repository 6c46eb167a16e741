"""Changes to sources before they are compiled: sketches become C++, a ``long`` gets 32 bits.

Many targets have a 32-bit ``long``, and firmware relies on how it wraps around. On a machine with a
64-bit ``long`` the preprocessed source is rewritten: in lines from the user's own files and from
the board's headers, ``long`` becomes ``int`` and the suffix ``L`` of a number is removed; ``long
long`` and ``long double`` stay. System headers are left alone: their functions are compiled code
with a 64-bit ``long``.

A sketch (``.ino``) becomes C++ with the usual header and a prototype of each function.

Sketch builders add both. Without the prototypes, a function could not be used above its definition.
A definition is recognised by its form, at the start of a line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import groupby

_DEFINITION = re.compile(
    r"""
    ^(?!(?:else|return|typedef|struct|class|enum|union|namespace|template|using|static_assert)\b)
    (?P<head> [A-Za-z_][\w:<>,\ \t*&]*? [\s*&] [A-Za-z_]\w* \s*
        \( [^(){};=]* (?: \( [^(){};]* \) [^(){};=]* )* \) ) \s* (?: /[/*][^\n{]* \s* )? \{
    """,
    re.VERBOSE | re.MULTILINE,
)
_TYPE = re.compile(
    r"\b(?:struct|class|enum|union)\s+(?:class\s+)?(?P<name>[A-Za-z_]\w*)[^;(){}]*\{"
)
_NOT_CODE = re.compile(r'//[^\n]*|/\*.*?\*/|"(?:\\.|[^"\\\n])*"|\'(?:\\.|[^\'\\\n])*\'', re.DOTALL)


def code_of(text: str) -> str:
    """C or C++ without its comments and without what stands in its quotes; lines stay lines."""
    return _NOT_CODE.sub(lambda found: re.sub(r"[^\n]", " ", found[0]), text)


def as_cpp(sketch: str, name: str) -> str:
    """The text to compile for a sketch. Its lines keep their file name and line numbers."""
    code = code_of(sketch)
    parts = [f'# 1 "{name}"\n#include <Arduino.h>\n# 1 "{name}"\n']
    done = 0
    for place, prototypes in sorted(_prototypes(code).items()):
        marker = f'\n# {code.count(chr(10), 0, place) + 1} "{name}"\n'
        parts += [sketch[done:place], marker, " ".join(prototypes), marker]
        done = place
    return "".join([*parts, sketch[done:]])


def _prototypes(code: str) -> dict[int, list[str]]:
    """Where prototypes go: each before the first function that follows all of the sketch's own
    types named in it.
    """
    functions = list(_DEFINITION.finditer(code))
    types = {  # where each type ends: at its closing brace
        found["name"]: max(found.start(), code.find("}", found.start()))
        for found in _TYPE.finditer(code)
    }
    result: dict[int, list[str]] = {}
    for function in functions:
        head = _head(function, code)
        named = [types[word] for word in re.findall(r"\w+", head) if word in types]
        known_from = max(named, default=0)
        place = min(each.start() for each in functions if each.start() >= known_from)
        if head and place < function.start():
            result.setdefault(place, []).append(f"{head};")
    return result


def _head(found: re.Match[str], code: str) -> str:
    """The prototype of a definition; empty for a template or a member of a class."""
    head = " ".join(found["head"].split())
    template = code[: found.start()].rstrip().endswith(">")
    return "" if template or "::" in head.partition("(")[0] else head


_TOKEN = re.compile(
    r"""
    (?P<text> (?:u8|[uUL])?"(?:\\.|[^"\\\n])*" | (?:u8|[uUL])?'(?:\\.|[^'\\\n])*' )
  | (?P<number> \.?[0-9](?:[eEpP][+-]|[0-9A-Za-z_.])* )
  | (?P<word> [A-Za-z_]\w* )
  | (?P<space> \s+ )
  | (?P<other> . )
    """,
    re.VERBOSE,
)
_MARKER = re.compile(r'# \d+ "(?:[^"\\]|\\.)*"((?: \d)*)')
_SUFFIX = re.compile(r"(?<=[0-9A-Fa-f.])([uUlL]+)$")
_SIZES = {"long", "int", "unsigned", "signed", "double", "const", "volatile", "short", "char"}


def shorten_longs(preprocessed: str) -> str:
    """Preprocessed C or C++ in which the user's ``long`` has 32 bits. Line breaks stay as they
    are.
    """
    result: list[str] = []
    own: list[str] = []
    system = False
    for line in preprocessed.splitlines(keepends=True):
        marker = _MARKER.match(line)
        if marker is None:
            (result if system else own).append(line)
            continue
        result.append(_shortened("".join(own)))
        own.clear()
        system = "3" in marker[1].split()
        result.append(line)
    result.append(_shortened("".join(own)))
    return "".join(result)


def _shortened(text: str) -> str:
    if "long" not in text and not re.search(r"\d[uU]?[lL]", text):
        return text
    tokens = [(match.lastgroup or "", match[0]) for match in _TOKEN.finditer(text)]
    for run in _type_runs(tokens):
        words = [tokens[place][1] for place in run]
        if words.count("long") == 1 and "double" not in words:
            tokens[run[words.index("long")]] = ("word", "" if "int" in words else "int")
    return "".join(_number(word) if kind == "number" else word for kind, word in tokens)


def _type_runs(tokens: list[tuple[str, str]]) -> Iterator[list[int]]:
    """The places of the words that make up one built-in type."""
    solid = (place for place, (kind, _) in enumerate(tokens) if kind != "space")
    for is_type, run in groupby(solid, lambda place: tokens[place][1] in _SIZES):
        if is_type:
            yield list(run)


def _number(word: str) -> str:
    match = _SUFFIX.search(word)
    if match is None or "." in word:
        return word
    suffix = match[1]
    decimal = not word.lower().startswith("0x")
    if suffix.lower().count("l") != 1 or (decimal and "e" in word.lower()):
        return word
    return word[: match.start()] + re.sub("[lL]", "", suffix)
