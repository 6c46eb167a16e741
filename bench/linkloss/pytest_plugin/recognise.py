"""Telling scenario and vehicle files from all the other TOML files that pytest comes across.

A file with a mistake in it is still a scenario, and says so as a test, while a settings file of
another program is none of our business.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection
from pathlib import Path
from typing import Literal

Kind = Literal["scenario", "vehicle"]
_TABLE = re.compile(r"^[ \t]*\[", re.MULTILINE)
_KEY = re.compile(r"^[ \t]*([A-Za-z_]+)[ \t]*=", re.MULTILINE)
_HEADER = re.compile(r"^[ \t]*\[+[ \t]*([A-Za-z_]+)", re.MULTILINE)
_LARGEST = 1 << 20
"""Bytes; nobody writes so much by hand."""


def kind_of(path: Path) -> Kind | None:
    """What a TOML file is, to all appearances; None for what is neither.

    A scenario has a title, steps or expectations, and names its vehicle or its length. A vehicle
    has a title, a bus and nodes.
    """
    try:
        if path.stat().st_size > _LARGEST:
            return None
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return None
    return _kind(_names(text)) if "title" in text else None  # most files end here


def _kind(names: Collection[str]) -> Kind | None:
    if "title" not in names:
        return None
    if "bus" in names and "nodes" in names:
        return "vehicle"
    told = "steps" in names or "expect" in names
    return "scenario" if told and ("vehicle" in names or "lasts" in names) else None


def _names(text: str) -> Collection[str]:
    """The keys and tables at the top of a file, as well as they can be made out in a torn one."""
    try:
        return tomllib.loads(text).keys()
    except tomllib.TOMLDecodeError:
        first = _TABLE.search(text)
        head = text if first is None else text[: first.start()]
        return {*_KEY.findall(head), *_HEADER.findall(text)}
