"""The firmware lines that no case of a check reached, on the screen."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from linkloss.firmware.coverage import Lines, ranges
from linkloss.report.screen import bullet, heading, paragraph


def show_coverage(console: Console, sources: Sequence[Lines]) -> None:
    """One line for each source, then the lines that did not run, with their text."""
    heading(console, "Lines of firmware")
    if not sources:
        paragraph(console, "No node of this vehicle has a program in C.")
    for source in sources:
        total = len(source.ran) + len(source.missed)
        bullet(console, f"{source.file}: {len(source.ran)} of {total} lines ran")
        if not source.missed:
            continue
        paragraph(console, f"never reached: {ranges(source.missed)}", indent=2)
        for number, text in _texts(source):
            console.print(f"    {number:5}  {text}", markup=False, highlight=False, no_wrap=True)


def _texts(source: Lines) -> list[tuple[int, str]]:
    try:
        lines = Path(source.file).read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []
    return [(number, lines[number - 1]) for number in source.missed if number <= len(lines)]
