"""Keys that are marked as guessed are named in every result, until the mark is taken away."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from linkloss.campaign.check import check
from linkloss.campaign.run import run
from linkloss.report.html import check_page, looks, render
from linkloss.report.junit import junit_xml
from linkloss.report.machine import check_json_parts
from linkloss.report.markdown import check_markdown
from linkloss.report.screen import make_console
from linkloss.report.terminal import show_check
from linkloss.report.timeline import show_run
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import load_vehicle
from linkloss.vehicle.toml import marked_keys

TINY = Path(__file__).parents[1] / "report" / "tiny"


@pytest.fixture(scope="module")
def guessed(tmp_path_factory):
    """The tiny car with one key that was guessed."""
    folder = tmp_path_factory.mktemp("car")
    for path in TINY.iterdir():
        if path.is_file():
            text = path.read_text(encoding="utf-8")
            if path.name == "vehicle.toml":
                head, bit_rate, rest = text.partition("bit_rate = ")
                value, end, rest = rest.partition("\n")
                text = f"{head}{bit_rate}{value}  # guessed: the log's busiest second{end}{rest}"
            (folder / path.name).write_text(text, encoding="utf-8")
    return load_vehicle(folder / "vehicle.toml")


TOLD = "Guessed, not declared: bus.bit_rate. Take the mark '# guessed' away"


def test_a_comment_marks_the_key_before_it():
    text = """
first = 1  # guessed
second = "# guessed"
[table.inner]
third = [1, 2]  # measured
fourth.fifth = { a = 1 } #guessed: why
# guessed
[[list]]
sixth = 0  # guessed
"""
    assert marked_keys(text, "guessed") == ["first", "table.inner.fourth.fifth", "list[1].sixth"]


def test_a_check_says_so_everywhere(guessed):
    report = check(guessed, only=["none"], jobs=1)
    stream = io.StringIO()
    show_check(make_console(stream, 300), report)
    document = json.loads("".join(check_json_parts(report)))
    assert any(note.startswith(TOLD) for note in document["notes"])
    page = render(check_page(report, {}))
    for text in (stream.getvalue(), junit_xml(report), check_markdown(report), page):
        plain = text.replace("\\", "").replace("&#39;", "'")
        assert TOLD in plain
    assert looks(report)


def test_a_run_says_so(guessed):
    situation = next(iter(guessed.situations))
    result = run(
        Scenario("short", "", guessed, situation, {}, (), (), guessed.situations[situation].lasts)
    )
    stream = io.StringIO()
    show_run(make_console(stream, 300), result)
    assert TOLD in stream.getvalue()


def test_without_a_mark_nothing_is_said():
    assert load_vehicle(TINY / "vehicle.toml").notes == ()
