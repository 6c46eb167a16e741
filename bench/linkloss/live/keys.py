"""Single keys from a terminal, as names."""

from __future__ import annotations

import os
import select
import sys
import termios
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

_NAMES = {
    "\x1b[A": "up", "\x1b[B": "down", "\x1b[C": "right", "\x1b[D": "left",
    "\x1bOA": "up", "\x1bOB": "down", "\x1bOC": "right", "\x1bOD": "left",
    "\x1b[5~": "page up", "\x1b[6~": "page down",
    "\r": "enter", "\n": "enter", " ": "enter", "\x7f": "backspace", "\x08": "backspace",
    "\t": "tab", "\x1b": "escape",
}  # fmt: skip
"""What a terminal sends for keys without a letter (ECMA-48, and xterm's application mode)."""
_LONGEST = max(map(len, _NAMES))

Keys = Callable[[float], list[str]]
"""The keys that were pressed, after at most so many seconds of waiting for one."""


def names(text: str) -> list[str]:
    """The keys behind what a terminal sent; whatever is unknown and cannot be printed is left
    out.
    """
    found: list[str] = []
    at = 0
    while at < len(text):
        for length in range(min(_LONGEST, len(text) - at), 0, -1):
            piece = text[at : at + length]
            if piece in _NAMES:
                found.append(_NAMES[piece])
                break
        else:
            length = 1
            if text[at].isprintable():
                found.append(text[at])
        at += length
    return found


@contextmanager
def pressed() -> Iterator[Keys]:
    """Read the keys of the terminal on the standard input one by one, without showing them."""
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)

    def read(longest_s: float) -> list[str]:
        ready, _, _ = select.select([descriptor], [], [], longest_s)
        return names(os.read(descriptor, 256).decode(errors="ignore")) if ready else []

    try:
        tty.setcbreak(descriptor)
        yield read
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
