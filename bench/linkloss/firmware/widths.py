"""A ``long`` of 32 bits on a machine whose own has 64.

Many targets have a 32-bit ``long``, and firmware relies on how it rolls over. The preprocessed
source is rewritten: in the lines that come from the user's own files and from the board's headers,
``long`` becomes ``int`` and the suffix ``L`` of a number goes; ``long long`` and ``long double``
stay. System headers stay as they are: their functions are compiled code with a 64-bit ``long``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

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
    """Preprocessed C or C++ in which the user's ``long`` has 32 bits. Lines stay lines."""
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
        _shorten_run(tokens, run)
    return "".join(_number(word) if kind == "number" else word for kind, word in tokens)


def _type_runs(tokens: list[tuple[str, str]]) -> Iterator[list[int]]:
    """The places of words that make up one built-in type and have a ``long`` among them."""
    run: list[int] = []
    for place, (kind, word) in enumerate(tokens):
        if kind == "word" and word in _SIZES:
            run.append(place)
        elif kind != "space":
            if run:
                yield run
            run = []
    if run:
        yield run


def _shorten_run(tokens: list[tuple[str, str]], run: list[int]) -> None:
    words = [tokens[place][1] for place in run]
    if words.count("long") != 1 or "double" in words:
        return
    place = run[words.index("long")]
    tokens[place] = ("word", "" if "int" in words else "int")


def _number(word: str) -> str:
    match = _SUFFIX.search(word)
    if match is None or "." in word:
        return word
    suffix = match[1]
    if suffix.lower().count("l") != 1 or (not word.lower().startswith("0x") and _is_float(word)):
        return word
    return word[: match.start()] + re.sub("[lL]", "", suffix)


def _is_float(word: str) -> bool:
    return "e" in word.lower()
