"""A sketch (``.ino``) as C++: the usual header before it, and a prototype of each function.

Builders of sketches do both; without the prototypes a function could not be used above the place
where it is defined. They are found by their looks, as a definition that begins at the left margin.
"""

from __future__ import annotations

import re

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


def as_cpp(sketch: str, name: str) -> str:
    """The text to compile for a sketch; its lines keep their file name and numbers."""
    code = _NOT_CODE.sub(lambda found: re.sub(r"[^\n]", " ", found[0]), sketch)
    parts = [f'# 1 "{name}"\n#include <Arduino.h>\n# 1 "{name}"\n']
    done = 0
    for place, prototypes in sorted(_prototypes(code).items()):
        marker = f'\n# {code.count(chr(10), 0, place) + 1} "{name}"\n'
        parts += [sketch[done:place], marker, " ".join(prototypes), marker]
        done = place
    return "".join([*parts, sketch[done:]])


def _prototypes(code: str) -> dict[int, list[str]]:
    """Where prototypes go: each before the first function, or the first one behind the sketch's
    own types that it names.
    """
    functions = list(_DEFINITION.finditer(code))
    types = {found["name"]: _end_of(code, found.start()) for found in _TYPE.finditer(code)}
    result: dict[int, list[str]] = {}
    for function in functions:
        head = _head(function, code)
        named = [types[word] for word in re.findall(r"\w+", head) if word in types]
        known_from = max(named, default=0)
        place = min(each.start() for each in functions if each.start() >= known_from)
        if head and place < function.start():
            result.setdefault(place, []).append(f"{head};")
    return result


def _end_of(code: str, start: int) -> int:
    """Where a type that begins here ends: behind its closing brace."""
    end = code.find("}", start)
    return start if end < 0 else end


def _head(found: re.Match[str], code: str) -> str:
    """The prototype of a definition; none for a template or a member of a class."""
    head = " ".join(found["head"].split())
    template = code[: found.start()].rstrip().endswith(">")
    return "" if template or "::" in head.partition("(")[0] else head
