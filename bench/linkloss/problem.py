"""What a user is told when an input cannot be used, and the exit codes.

A problem says what is wrong, where, what was expected, and what is near. The person who
reads it is building a car, not a Python program. No input leads to a traceback. Every command
ends with one of the exit codes below.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import SequenceMatcher, get_close_matches
from pathlib import Path

EXIT_KEPT, EXIT_BROKEN, EXIT_BAD_INPUT, EXIT_NOT_EXERCISED = 0, 1, 2, 3
EXIT_INTERRUPTED = 130


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in one place.

    ``file`` and ``line`` say where it is (line 0: not known), ``where`` names table and key.
    """

    file: str
    where: str
    text: str
    line: int = 0

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: {self.where}: {self.text}" if self.where else f"{place}: {self.text}"


class BadInput(Exception):  # noqa: N818 - it is the input that is bad, the word says so
    """One or more mistakes in a file or an argument; ``problems`` holds them all."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    @classmethod
    def one(cls, file: str | Path, where: str, text: str, line: int = 0) -> BadInput:
        """The common case of a single mistake."""
        return cls([Problem(str(file), where, text, line)])


def ensure_linux(where: str, purpose: str) -> None:
    """Refuse what works only on Linux: ``where`` is the option or key, ``purpose`` what it needs
    Linux for. Raises BadInput on any other system.
    """
    if sys.platform != "linux":
        raise BadInput.one("linkloss", where, f"needs Linux, {purpose}; this is {sys.platform}")


def nearest(word: str, choices: Iterable[str]) -> str:
    """`` (did you mean 'x'?)`` for a misspelt word, or an empty string when nothing is near."""
    found = get_close_matches(word, sorted(choices), n=1, cutoff=0.55)
    return f" (did you mean '{found[0]}'?)" if found else ""


MOST_LISTED = 12
"""So many valid names are listed."""


def unknown(what: str, word: str, choices: Iterable[str]) -> str:
    """The text for a name that does not exist: the name, the valid ones, the nearest. Of many valid
    names only those most like it are listed, and the nearest comes first.
    """
    known = sorted(choices)
    near = nearest(word, known)
    if len(known) > MOST_LISTED:

        def unlike(name: str) -> float:
            return -SequenceMatcher(None, word, name).ratio()

        some = ", ".join(sorted(sorted(known, key=unlike)[:MOST_LISTED]))
        more = len(known) - MOST_LISTED
        return f"unknown {what} '{word}'{near}; expected one of: {some} and {more} more"
    listed = ", ".join(known) if known else "none are declared"
    return f"unknown {what} '{word}'; expected one of: {listed}{near}"


def printable(text: str) -> str:
    """The text with a question mark for each unprintable character, which could control a
    terminal.
    """
    return "".join(char if char.isprintable() or char == "\n" else "?" for char in text)
