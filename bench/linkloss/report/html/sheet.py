"""The content of a page, as plain values. Nothing here knows HTML, and the templates know nothing
of the bench.

All texts may come from anyone's files; the templates escape them, whatever they hold. The only
exception is :class:`Drawing`, which our own code makes from numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from linkloss.report.car_drawing import CarDrawing


class Fact(NamedTuple):
    """A fact about a result: its name and its value."""

    label: str
    text: str


class Digest(NamedTuple):
    """A file that the result depends on, and the SHA-256 of its content in hexadecimal."""

    file: str
    sha256: str


class Fuse(NamedTuple):
    """One cell: ``state`` is ``kept``, ``broken`` or ``untested``; ``margin`` is text.

    ``rules`` names the rules behind it, ``links`` the anchors of what broke there.
    """

    state: str
    margin: str = ""
    rules: tuple[str, ...] = ()
    links: tuple[str, ...] = ()


class Row(NamedTuple):
    """A subject and its cells."""

    subject: str
    fuses: tuple[Fuse, ...]


class Block(NamedTuple):
    """Rows of one kind: loads, requests, notices, nodes."""

    title: str
    rows: tuple[Row, ...]


class Column(NamedTuple):
    """The head of a column, and an explanation."""

    title: str
    about: str = ""


class Matrix(NamedTuple):
    """A table of fuses. ``across`` says what the columns are."""

    across: str
    columns: tuple[Column, ...]
    blocks: tuple[Block, ...]

    @property
    def rows(self) -> int:
        """How many subjects it has."""
        return sum(len(block.rows) for block in self.blocks)


class CarMark(NamedTuple):
    """How a load or a node stands, in a word and in words; the numbers of the causes that broke it
    or that point at it, and the anchor of the first.
    """

    state: str
    text: str
    causes: tuple[int, ...] = ()
    anchor: str = ""


class Car(NamedTuple):
    """The car from above, with a mark for each load and each node."""

    drawing: CarDrawing
    loads: Mapping[str, CarMark]
    nodes: Mapping[str, CarMark]


class Untested(NamedTuple):
    """A subject and its rules that were not exercised, with what is declared for them."""

    subject: str
    rules: tuple[str, ...]


class Label(NamedTuple):
    """Text in a lane, for a stretch of it; instants in ns. ``beside``: the text goes after the
    stretch, which is too short for it.
    """

    from_ns: int
    to_ns: int
    text: str
    beside: bool = False


class Strip(NamedTuple):
    """One lane, drawn: ``paths`` are pairs of a style and SVG path data (numbers only).

    ``values`` says what the lane shows from an instant on, in words, for the cursor.
    """

    group: str
    name: str
    mark: str
    paths: tuple[tuple[str, str], ...]
    labels: tuple[Label, ...]
    values: tuple[tuple[int, str], ...]


class Flag(NamedTuple):
    """An instant marked in a picture."""

    at_ns: int
    text: str


class Picture(NamedTuple):
    """Lanes over the time from 0 to ``end_ns``; ``focus`` is the span to show first, in ns."""

    end_ns: int
    focus: tuple[int, int]
    strips: tuple[Strip, ...]
    flags: tuple[Flag, ...]


class FrameLine(NamedTuple):
    """One frame near the instant of a finding; ``since`` is relative to it."""

    since: str
    identifier: str
    message: str
    sender: str
    data: str
    fate: str
    failed: bool
    asks: bool


class Scene(NamedTuple):
    """A run in detail: its picture, the frames around an instant, and its events in words.

    ``held`` are the rules found broken in it, as (subject, rule, instant in ns).
    """

    picture: Picture
    frames: tuple[FrameLine, ...]
    around: str
    events: tuple[tuple[str, str], ...]
    held: tuple[tuple[str, str, int | None], ...]


class Broken(NamedTuple):
    """One broken rule of a story; ``also`` names the other columns in which it broke, ``words`` is
    the rule with what is declared for it, ``margin`` says by how much it broke.
    """

    subject: str
    rule: str
    sentence: str
    also: tuple[str, ...] = ()
    times: int = 1
    words: str = ""
    margin: str = ""


class Reduced(NamedTuple):
    """The shortest scenario found for a finding: its name, one sentence on what happens in it, the
    command that runs it alone, and how many runs the search took. Findings with the same ``name``
    are one story.
    """

    name: str
    sentence: str
    command: str = ""
    effort: str = ""


@dataclass(frozen=True, slots=True)
class Story:
    """What one case shows, or the shortest scenario found for it. ``title`` tells of the one that
    is drawn; without a title the story is the whole run. ``note`` says why there is no scene, or
    that the result differed this time; ``why`` and ``advice`` are those of its cause.
    """

    anchor: str
    title: str
    broken: tuple[Broken, ...] = ()
    situation: str = ""
    command: str = ""
    scene: Scene | None = None
    note: str = ""
    reduced: Reduced | None = None
    why: str = ""
    advice: str = ""


class LoadSheet(NamedTuple):
    """What one load must do, in words; ``standing`` counts its rules by outcome."""

    name: str
    about: str
    feeds: str
    in_service: str
    link_lost: str
    restart: str
    bounds: str
    standing: str
    state: str


class MessageLine(NamedTuple):
    """A message on the bus of one run."""

    name: str
    identifier: str
    sender: str
    frames: int
    period: str
    share: str
    typical: str
    worst: str


class CounterLine(NamedTuple):
    """The error counters of a controller when its state changed."""

    at: str
    node: str
    state: str
    tec: int
    rec: int


class Traffic(NamedTuple):
    """The bus in one run: ``of`` says which run; ``failed`` counts failed attempts by cause."""

    of: str
    load: Picture
    busy: str
    messages: tuple[MessageLine, ...]
    counters: tuple[CounterLine, ...]
    failed: tuple[Fact, ...]


class Drawing(NamedTuple):
    """SVG made by our own code, and a description of it. ``svg`` is trusted as it is: text from a
    file must be escaped in it.
    """

    svg: str
    about: str


class SourceLine(NamedTuple):
    """A line of a program: what stands in it, and how it fared: kept, broken or, where nothing was
    looked at, an empty text. ``notes`` are what it was changed to, and why that passed.
    """

    anchor: str
    number: int
    text: str
    state: str
    notes: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Part:
    """A further section, for content other than loads and findings: text, a table, a drawing, a
    program.

    ``links`` holds the link of the first cell of each row; an empty text is no link.
    """

    title: str
    paragraphs: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    links: tuple[str, ...] = ()
    drawing: Drawing | None = None
    listing: tuple[SourceLine, ...] = ()


@dataclass(frozen=True, slots=True)
class Cause:
    """What a cause broke in a sentence, what is known about it, and the anchor of its story; why it
    broke and what to do, if that was found.
    """

    sentence: str
    about: str
    anchor: str
    why: str = ""
    advice: str = ""


@dataclass(frozen=True, slots=True)
class Page:
    """A whole report. ``state`` is that of the verdict: kept, broken or untested. If no rules were
    ``judged``, the page does not mention any. ``worst`` is the part of the ``matrix`` that broke.
    The page of a single ``run`` begins with its picture.
    """

    title: str
    subtitle: str
    state: str
    verdict: str
    facts: tuple[Fact, ...]
    inputs: tuple[Digest, ...]
    caution: str
    vehicle: str = ""
    judged: bool = True
    run: bool = False
    warnings: tuple[str, ...] = ()
    causes: tuple[Cause, ...] = ()
    car: Car | None = None
    matrix: Matrix | None = None
    worst: Matrix | None = None
    stories: tuple[Story, ...] = ()
    summarised: tuple[Story, ...] = ()
    narrow: tuple[Story, ...] = ()
    margins: tuple[tuple[str, ...], ...] = ()
    untested: tuple[Untested, ...] = ()
    unjudged: tuple[tuple[str, str, str], ...] = ()
    tried: Matrix | None = None
    loads: tuple[LoadSheet, ...] = ()
    traffic: Traffic | None = None
    parts: tuple[Part, ...] = ()
