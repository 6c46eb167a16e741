"""What is not judged is told by every face of a report."""

from __future__ import annotations

import io
import json
from xml.etree import ElementTree as ET

from html_values import Outline, page_of
from report_values import mixed_report, unjudged_report

from linkloss.report.html.render import render
from linkloss.report.junit import junit_xml
from linkloss.report.machine import check_json
from linkloss.report.markdown import check_markdown
from linkloss.report.screen import make_console
from linkloss.report.terminal import show_check

OUTCOME = "No rule was broken, but 1 thing was not judged."


def shown(report) -> str:
    stream = io.StringIO()
    show_check(make_console(stream, 100), report)
    return stream.getvalue()


def test_the_terminal_names_all_of_it_and_says_what_to_write():
    text = shown(unjudged_report())
    assert OUTCOME in text
    assert "Not judged: 2 things, 1 as the vehicle file says" in text
    assert "* LampRequest: it has no cycle time\n* supply: a toy\n" in text
    assert "[[unjudged]]" in text
    assert "Not judged" not in shown(mixed_report())


def test_a_summary_names_what_nobody_allows():
    text = check_markdown(unjudged_report())
    assert "<summary>Not judged: 1 thing</summary>\n\n- LampRequest: it has no cycle time" in text
    assert "supply" not in text


def test_json_has_the_reasons_of_the_bench_and_of_the_vehicle_file():
    found = json.loads(check_json(unjudged_report()))
    assert found["unjudged"] == [
        ["LampRequest", "it has no cycle time", ""],
        ["supply", "there is none", "a toy"],
    ]
    assert (found["exit_code"], found["outcome"]) == (3, OUTCOME)


def test_junit_skips_what_nobody_allows():
    suite = ET.fromstring(junit_xml(unjudged_report()))[0]
    assert (suite.get("tests"), suite.get("skipped")) == ("2", "1")
    (test,) = [test for test in suite if test.get("name") == "not judged"]
    assert test.get("classname") == "LampRequest"


def test_the_page_has_a_table_of_it():
    text = Outline(render(page_of(unjudged_report()))).text
    assert OUTCOME in text
    assert "it has no cycle time" in text
    assert "a toy" in text
