"""Results worth looking at: a Wren that passes, one that fails, and names that mean harm."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

from demo_cases import narrow, wren

from linkloss.campaign.check import looked
from linkloss.campaign.result import CheckReport
from linkloss.judge import Outcome
from linkloss.report.findings import Told
from linkloss.report.html import Page, check_page, looks
from linkloss.vehicle.loading import Vehicle

HOSTILE = (
    "</script><script>document.title='taken'</script>",
    "<img src=x onerror=document.title='taken'>",
    "\"' onclick=\"document.title='taken'\" x='",
    "]]>--><!-- &amp; {{ 7 * 7 }} {% raw %} ${7*7}",
    "\u202egnirts\u2066 \u05e9\u05dc\u05d5\u05dd \u0645\u0635\u0628\u0627\u062d",
    "long_" * 40,
    "control\x00\x07\x1b[31m\u2028end",
)


def forgetful(vehicle: Vehicle) -> Vehicle:
    """The demo car with a rear node that never finds its link lost."""
    rear = vehicle.nodes["rear"]
    outputs = {
        name: {**wanted, "stale_after_ms": 100_000} if "stale_after_ms" in wanted else wanted
        for name, wanted in rear.settings["outputs"].items()
    }
    slow = rear.model_copy(update={"settings": {**rear.settings, "outputs": outputs}})
    file = vehicle.file.model_copy(update={"nodes": {**vehicle.nodes, "rear": slow}})
    return replace(vehicle, file=file)


@cache
def failing_wren() -> CheckReport:
    """A short check in which the tail lamps go dark."""
    return narrow(forgetful(wren()), ["none", "unplug"], ["night_drive"], "dash")


@cache
def passing_wren() -> CheckReport:
    """A short check, with the rules declared that it puts to the test."""
    report = narrow(wren(), ["none", "cut"], ["night_drive"], every=3)
    tested = [
        (entry.subject, entry.rule)
        for entry in report.rules
        if entry.verdict.outcome is Outcome.KEPT
    ]
    return CheckReport(wren(), 0, tuple(tested), tuple(report.cases))


def page_of(report: CheckReport, told: Told | None = None) -> Page:
    """The page of a check, with what its cases show when they are run again."""
    seen = looked(looks(report, told), jobs=1)
    return check_page(report, seen, told=told)


class Outline(HTMLParser):
    """The elements of a page with the names of their attributes, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, tuple[str, ...]]] = []
        self.words: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, tuple(name for name, _ in attrs if name != "class")))
        found = dict(attrs)
        self.ids += [found["id"]] if "id" in found else []
        self.links += [found["href"]] if tag == "a" else []

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


def hostile_car(folder: Path) -> Path:
    """The tiny car with titles and texts that mean harm; keys stay what TOML and DBC allow."""
    tiny = Path(__file__).parent / "tiny"
    for name in ("tiny.dbc", "tiny_nodes.py"):
        (folder / name).write_bytes((tiny / name).read_bytes())
    text = (tiny / "vehicle.toml").read_text(encoding="utf-8")
    text = text.replace(
        'title = "Tiny"', f"title = {_toml(HOSTILE[0])}\nabout = {_toml(HOSTILE[4])}"
    )
    long = '"' + "lamp_" * 40 + '"'
    markup = _toml(HOSTILE[1])
    text = text.replace("[loads.tail_lamp]\n", f"[loads.{markup}]\nabout = {_toml(HOSTILE[2])}\n")
    text = text.replace("[loads.buzzer]\n", f"[loads.{long}]\n")
    text = text.replace("[loads.indicator]\n", f"[loads.{_toml(HOSTILE[4])}]\n")
    (folder / "vehicle.toml").write_text(text, encoding="utf-8")
    return folder / "vehicle.toml"


def _toml(text: str) -> str:
    escaped = "".join(
        char if char.isprintable() and char not in '"\\' else f"\\u{ord(char):04x}" for char in text
    )
    return f'"{escaped}"'
