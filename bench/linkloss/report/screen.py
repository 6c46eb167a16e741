"""The screen that results are shown on: its width, colours and paragraphs."""

from __future__ import annotations

import os
import sys
from collections.abc import Collection, Iterable
from typing import IO

from rich.console import Console
from rich.table import Table
from rich.text import Text

from linkloss.campaign.result import CAUTION
from linkloss.problem import EXIT_BROKEN, EXIT_KEPT, EXIT_NOT_EXERCISED, printable

WIDEST = 160
GAP = 2
"""Characters between two columns of a table."""
STYLES = {"kept": "green", "broken": "bold red", "not exercised": "yellow"}
OUTCOMES = {EXIT_KEPT: "kept", EXIT_BROKEN: "broken", EXIT_NOT_EXERCISED: "not exercised"}
"""The exit codes of what judges, as outcomes."""


class _Screen(Console):
    """A console that leaves a closed pipe, and the exit code for it, to the command."""

    def on_broken_pipe(self) -> None:
        self.quiet = True
        raise BrokenPipeError


def make_console(file: IO[str] | None = None, width: int | None = None) -> Console:
    """A console of at most 160 columns. Output is plain text unless on a terminal without
    NO_COLOR.
    """
    stream = sys.stdout if file is None else file
    plain = bool(os.environ.get("NO_COLOR")) or not stream.isatty()
    console = _Screen(
        file=stream,
        width=width,
        color_system=None if plain else "auto",
        highlight=False,
        markup=False,
        emoji=False,
        soft_wrap=False,
    )
    console.width = min(console.width, WIDEST)
    return console


def heading(console: Console, text: str) -> None:
    """The heading of a part of the screen."""
    console.print()
    console.print(Text(printable(text), style="bold"))


def paragraph(console: Console, text: str, *, indent: int = 0, style: str = "") -> None:
    """Running text, wrapped to the screen."""
    hanging(console, " " * indent, text, style=style)


def bullet(console: Console, text: str, *, style: str = "") -> None:
    """An entry of a list."""
    hanging(console, "* ", text, style=style)


def hanging(console: Console, prefix: str, text: str, *, style: str = "") -> None:
    """Text after a prefix, with its further lines indented under the first one."""
    lines = Text(printable(text), style=style).wrap(console, max(20, console.width - len(prefix)))
    for index, line in enumerate(lines):
        line.rstrip()
        start = prefix if index == 0 else " " * len(prefix)
        console.print(Text.assemble(start, line), soft_wrap=True)


def plain_table(
    heads: Iterable[str],
    rows: Iterable[Iterable[str | Text]],
    *,
    folds: int = 0,
    left: Collection[str] = (),
    header_style: str = "",
) -> Table:
    """A table without lines: one column wraps its texts, all others except ``left`` hold
    figures.
    """
    table = Table(box=None, padding=(0, GAP, 0, 0), pad_edge=False, header_style=header_style)
    for place, head in enumerate(heads):
        if place == folds:
            table.add_column(head, overflow="fold")
        else:
            table.add_column(head, justify="left" if head in left else "right", no_wrap=True)
    for row in rows:
        table.add_row(*(cell if isinstance(cell, Text) else Text(printable(cell)) for cell in row))
    return table


def shortened(text: str, width: int) -> str:
    """The text, or as much of it as fits, with three dots for the rest."""
    return text if len(text) <= width else f"{text[: max(1, width - 3)].rstrip(' :,;')}..."


def command_lines(console: Console, parts: Iterable[str], *, indent: int = 2) -> None:
    """A command that can be copied; if it is too long for one line, it continues after a
    backslash.
    """
    line = " " * indent
    pieces = list(parts)
    whole = line + " ".join(pieces)
    if len(whole) > console.width:
        whole = line + f" \\\n{line}  ".join(pieces)
    console.print(Text(whole), soft_wrap=True)


def caution(console: Console, *, apart: bool = True) -> None:
    """The caution that ends every screen with results; ``apart``: after an empty line."""
    if apart:
        console.print()
    paragraph(console, CAUTION, style="italic")
