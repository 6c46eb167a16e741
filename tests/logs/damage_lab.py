"""Damage to a log that is text, and what becomes of its lines."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from hypothesis import strategies as st

from linkloss.logs.source import LogFile
from linkloss.problem import BadInput

CUTS = st.lists(st.tuples(st.floats(0, 1), st.text(max_size=8), st.integers(0, 20)), max_size=4)
"""Where in the text, what is put there, and how many characters go."""


def lines_told(
    path: Path, text: str, cuts: Sequence[tuple[float, str, int]]
) -> tuple[list[str], int] | None:
    """The lines that are left of a text with cuts, and how many of them are frames or counted; None
    where the log is refused, in one line.
    """
    for place, patch, removed in cuts:
        at = int(place * len(text))
        text = text[:at] + patch + text[at + removed :]
    path.write_text(text or "x", encoding="utf-8", errors="replace")
    log = LogFile(path)
    try:
        count = sum(1 for _ in log.entries())
    except BadInput as error:
        assert "\n" not in str(error)  # noqa: PT017
        return None
    written = path.read_text(encoding="utf-8", errors="replace").split("\n")
    return [line for line in written if line.strip()], count + log.unreadable
