"""Renders a page as one HTML file that needs nothing else: no network, no other file.

The same page gives the same bytes. Any text in a page is escaped and shows as text. The browser is
told to run only our script, by its hash, and to fetch nothing.
"""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Iterable, Iterator
from functools import cache
from hashlib import sha256
from itertools import groupby
from pathlib import Path
from typing import Any, NamedTuple

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from linkloss.problem import printable
from linkloss.report.html.lanes import HEIGHT, UNIT_NS
from linkloss.report.html.sheet import Page, Picture, Strip, Untested
from linkloss.report.words import count
from linkloss.units import show_duration

_FOLDER = Path(__file__).parent
_CHART_PX = 540
"""The width in pixels that labels are laid out for until the page knows its own: that of paper."""
_LETTER_PX = 6.6
_MOST_TICKS = 9
IN_SHORT = 4
"""Findings that paper shows with a picture unless the page is printed in full."""
MOST_CAUSES, MOST_LISTED = 6, 16
"""Causes and broken rules that the first sheet lists."""
WORDS = {
    "kept": "kept",
    "broken": "broken",
    "untested": "not exercised",
    "none": "no such rule",
    "tried": "cases",
}


class Board(NamedTuple):
    """The lanes of one group, and how high they are drawn."""

    group: str
    strips: tuple[Strip, ...]
    height: int


def render(page: Page) -> str:
    """The text of the file."""
    script = _text("page.js")
    digest = b64encode(sha256(script.encode()).digest()).decode()
    template = environment().get_template("page.html")
    return template.render(page=page, style=style(), script=script, digest=digest)


def drawing(template: str, **values: Any) -> str:
    """A drawing (SVG) from one of our templates."""
    return environment().get_template(template).render(values) + "\n"


def style() -> Markup:
    """The style sheet of all pages."""
    return _text("style.css")


def _text(name: str) -> Markup:
    text = (_FOLDER / name).read_text(encoding="utf-8")
    return Markup(text)  # noqa: S704 - one of our own files


@cache
def environment(*folders: Path) -> Environment:
    """The template environment: the templates of this folder and of others, and what they may
    use.
    """
    made = Environment(
        loader=FileSystemLoader([*folders, _FOLDER]),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters.update(
        boards=boards, unit=_unit, percent=_percent, ticks=ticks, fits=_fits, values=_values,
        trusted=Markup, duration=show_duration,  rows=_untested_rows, sum_of=_untested_rules,
        count_of=_count,
    )  # fmt: skip
    made.globals["HEIGHT"] = HEIGHT
    made.globals["words"] = WORDS
    made.globals.update(IN_SHORT=IN_SHORT, MOST_LISTED=MOST_LISTED, MOST_CAUSES=MOST_CAUSES)
    return made


def _shown(value: Any) -> Any:
    """Text from files, with a question mark for each character that could affect the text around
    it, such as a bidirectional override.
    """
    return printable(value) if type(value) is str else value


def _untested_rows(untested: Iterable[Untested]) -> list[tuple[str, str]]:
    return [(subject, ", ".join(rules)) for subject, rules in untested]


def _untested_rules(untested: Iterable[Untested]) -> int:
    return sum(len(rules) for _, rules in untested)


def _count(number: int, thing: str) -> str:
    return count(number, thing).replace("kind of faults", "kinds of faults")


def boards(picture: Picture) -> Iterator[Board]:
    """The lanes of a picture by group."""
    for group, strips in groupby(picture.strips, key=lambda strip: strip.group):
        found = tuple(strips)
        yield Board(group, found, HEIGHT * len(found))


def _unit(at_ns: int) -> int:
    return at_ns // UNIT_NS


def _percent(at_ns: int, end_ns: int) -> str:
    return f"{100 * at_ns / max(1, end_ns):.2f}%"


def _fits(text: str, length_ns: int, end_ns: int) -> bool:
    return len(text) * _LETTER_PX + 8 <= _CHART_PX * length_ns / max(1, end_ns)


def ticks(end_ns: int) -> Iterator[tuple[int, str]]:
    """Round instants in ns, with their labels."""
    step_ns = 1_000_000
    while end_ns / step_ns > _MOST_TICKS:
        step_ns = step_ns * 5 // 2 if str(step_ns).startswith("2") else step_ns * 2
    digits = max(0, 10 - len(str(step_ns)))
    for at_ns in range(0, end_ns + 1, step_ns):
        yield at_ns, f"{at_ns / 1e9:.{digits}f} s"


def _values(picture: Picture) -> Markup:
    """What the lanes show, for the page's script: JSON that cannot close the element that it is
    in.
    """
    told = [[[at, printable(text)] for at, text in strip.values] for strip in picture.strips]
    text = json.dumps(told, ensure_ascii=True, separators=(",", ":"))
    for char in "<>&":
        text = text.replace(char, f"\\u{ord(char):04x}")
    return Markup(text)  # noqa: S704 - JSON, with nothing in it that HTML would read
