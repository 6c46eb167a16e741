"""Scenario files as tests: what is collected, what passes, and what a failure shows."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest
from tests.pytest_plugin.conftest import edited, write

from linkloss.pytest_plugin import kind_of
from linkloss.shipped import demo_vehicle

pytest_plugins = "pytester"
WREN = demo_vehicle().parent


def test_a_scenario_that_keeps_everything_passes_and_is_named_by_its_title(car):
    result = car.runpytest("-v")
    result.assert_outcomes(passed=1)
    result.stdout.fnmatch_lines(["cut.toml::The cable is cut PASSED*"])


def test_a_failure_says_in_one_line_what_broke_and_then_shows_the_timeline(car):
    edited(car, "cut.toml", 'state = "on"', 'state = "off"')
    result = car.runpytest()
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(
        [
            "*cut.toml: The cable is cut*",
            "expected tail_lamp off from 300 ms to 1.4 s, but it was on at 300 ms",
            "The cable is cut",
            "What happened:",
            "   0.2221 s  tail_lamp, buzzer: on",
            "   0.3000 s  BROKEN: expected tail_lamp off*",
            "   0.5000 s  fault cut: the cable between dash and rear was cut",
            "Again, with all details: linkloss run cut.toml",
            "FAILED cut.toml::The cable is cut - expected tail_lamp*",
        ]
    )
    result.stdout.no_fnmatch_line("*Traceback*")
    result.stdout.no_fnmatch_line("*BrokenError*")


def test_a_broken_rule_stands_in_the_timeline_where_it_broke(car):
    edited(car, "cut.toml", 'until = "1 s"', 'until = "1400 ms"')
    result = car.runpytest()
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(
        ["What broke:", "[*] notice rear_lost was not given*", "*BROKEN: notice rear_lost*"]
    )


def test_a_scenario_that_tests_nothing_is_skipped_and_never_passes(car):
    text = 'title = "Idle"\nvehicle = "vehicle.toml"\nlasts = "10 ms"\nsteps = []\n'
    write(car, "idle.toml", text)
    result = car.runpytest("-rs", "idle.toml")
    result.assert_outcomes(skipped=1)
    result.stdout.fnmatch_lines(["*nothing was put to the test*"])


def test_a_mistake_in_a_scenario_is_an_error_with_our_own_words(car):
    edited(car, "cut.toml", 'lasts = "1500 ms"', 'lasts = "fast"', to="a.toml")
    edited(car, "cut.toml", 'load = "tail_lamp"', 'load = "tail"', to="b.toml")
    edited(car, "cut.toml", 'vehicle = "vehicle.toml"', 'vehicle = "car.toml"', to="c.toml")
    result = car.runpytest()
    result.assert_outcomes(passed=1, errors=3)
    result.stdout.fnmatch_lines(
        [
            "a.toml:3: lasts: cannot read 'fast'*",
            "b.toml:*: unknown load 'tail'*did you mean 'tail_lamp'?*",
            "c.toml:*: there is no file 'car.toml'*",
        ]
    )
    result.stdout.no_fnmatch_line("*pydantic*")
    result.stdout.no_fnmatch_line("*def parse*")


def test_a_scenario_that_is_no_toml_is_an_error_that_names_the_line(car):
    edited(car, "cut.toml", "[[steps]]", "[[steps]", to="torn.toml")
    result = car.runpytest("torn.toml")
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["torn.toml:*: this is no valid TOML*"])


@pytest.mark.parametrize(
    "text",
    [
        '[project]\nname = "other"\n',
        '[project]\ntitle = "Other"\n[[steps]]\nlasts = "1 s"\n',
        'title = "Pancakes"\n[[steps]]\ndo = "stir"\n',
        'title = "Site"\n[params]\nvehicle = "none"\n',
        "title = \n[[[",
        "",
        "\udcff\udcfe",
    ],
)
def test_a_toml_file_of_another_program_is_none_of_ours(tmp_path, text):
    path = tmp_path / "other.toml"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    assert kind_of(path) is None


def test_a_toml_file_of_another_program_is_not_collected(car):
    write(car, "other.toml", 'title = "Pancakes"\n[[steps]]\ndo = "stir"\n')
    (car.path / "more.toml").write_bytes(b"\xff\xfetitle")
    car.runpytest().assert_outcomes(passed=1)


@pytest.mark.parametrize("path", sorted(WREN.glob("*.toml")), ids=lambda path: path.stem)
def test_every_file_of_the_demo_is_told_for_what_it_is(path):
    assert kind_of(path) == ("vehicle" if path.name == "vehicle.toml" else "scenario")


def test_a_vehicle_file_is_no_scenario_and_is_left_alone_without_a_depth(car):
    result = car.runpytest("--collect-only", "-q")
    result.stdout.fnmatch_lines(["cut.toml::The cable is cut"])
    result.stdout.no_fnmatch_line("*vehicle.toml*")


def test_a_title_that_would_split_the_name_of_the_test_does_not(car):
    edited(car, "cut.toml", '"The cable is cut"', '"""A::b\n  [c] \\u001b[31m"""')
    result = car.runpytest("-v")
    result.assert_outcomes(passed=1)
    result.stdout.fnmatch_lines(["cut.toml::A:b ?c? ?*31m PASSED*"])


@pytest.mark.parametrize(("word", "passed"), [("cable", 1), ("cut", 1), ("rain", 0)])
def test_scenarios_are_chosen_by_the_words_of_their_titles(car, word, passed):
    result = car.runpytest("-k", word)
    result.assert_outcomes(passed=passed, deselected=1 - passed)


def test_scenarios_are_chosen_by_the_marker(car):
    write(car, "test_other.py", "def test_other(): pass\n")
    car.runpytest("-m", "linkloss").assert_outcomes(passed=1, deselected=1)


def test_the_xml_of_a_run_holds_the_timeline(car):
    edited(car, "cut.toml", 'state = "on"', 'state = "off"')
    car.runpytest("--junitxml", "out.xml")
    (case,) = ET.parse(car.path / "out.xml").getroot().iter("testcase")
    assert case.get("name") == "The cable is cut"
    assert "fault cut: the cable between dash and rear was cut" in case.find("failure").text
