"""The check of a vehicle as tests: one for each rule, and a rule untested is never a pass."""

from __future__ import annotations

import json
import shutil
from collections import Counter

import pytest
from tests.pytest_plugin.conftest import TINY, edited, write

from linkloss.campaign.check import check
from linkloss.judge import declared_rules
from linkloss.pytest_plugin import checks
from linkloss.report.machine import check_json
from linkloss.vehicle.loading import load_vehicle

pytest_plugins = "pytester"


@pytest.fixture
def car(car):
    """The tiny car on a bus so slow that a check of it is soon over."""
    edited(car, "vehicle.toml", "50 kbit/s", "20 kbit/s")
    return car


def test_every_rule_is_a_test_whose_outcome_is_that_of_the_check(car):
    result = car.runpytest("-v", "--linkloss-depth", "quick", "vehicle.toml")
    report = check(load_vehicle(car.path / "vehicle.toml"), depth="quick")
    rules = json.loads(check_json(report))["rules"]
    totals = Counter(entry["outcome"] for entry in rules)
    assert len(rules) == len(list(declared_rules(load_vehicle(TINY / "vehicle.toml"))))
    assert min(totals[word] for word in ("kept", "broken", "not exercised")) > 0
    result.assert_outcomes(
        passed=totals["kept"] + 1, failed=totals["broken"], skipped=totals["not exercised"]
    )
    words = {"kept": "PASSED", "broken": "FAILED", "not exercised": "SKIPPED"}
    shown = result.stdout.str()
    for entry in rules:
        name = f"vehicle.toml::{entry['subject']}[{entry['rule']}]"
        assert f"{name} {words[entry['outcome']]}" in shown
    assert "vehicle.toml::all else PASSED" in shown
    # The failure of one rule: the sentence, the case that shows it best, the command.
    result.stdout.fnmatch_lines(
        [
            "*vehicle.toml: rear_lost[[]notice]*",
            "notice rear_lost was not given, * rule: notice (within 800 ms)*",
            "situation: night*",
            "What happened:",
            "*fault *",
            "*BROKEN: notice rear_lost*",
            "Again: linkloss check vehicle.toml --case '*'",
        ]
    )


def test_one_rule_is_chosen_by_its_name(car):
    chosen = ["-k", "buzzer and rejoin", "--collect-only", "-q"]
    result = car.runpytest("--linkloss-depth", "quick", *chosen)
    result.stdout.fnmatch_lines(["vehicle.toml::buzzer[[]rejoin]", "*1/36 tests collected*"])


def test_a_vehicle_file_that_is_named_is_checked_quickly_without_being_told(car):
    result = car.runpytest("--collect-only", "-q", "vehicle.toml")
    result.stdout.fnmatch_lines(["vehicle.toml::tail_lamp[[]stale]"])


def test_a_depth_that_does_not_exist_is_refused_with_those_that_do(car):
    result = car.runpytest("--linkloss-depth", "deep", "vehicle.toml")
    assert result.ret == 4
    result.stderr.fnmatch_lines(["*invalid choice: 'deep'*quick*full*pairs*"])


def test_a_mistake_in_a_vehicle_is_an_error_with_our_own_words(car):
    edited(car, "vehicle.toml", 'on_stale = "hold"', 'on_stale = "holdd"')
    result = car.runpytest("vehicle.toml")
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["vehicle.toml:*: loads.tail_lamp.on_stale: got 'holdd'*"])


def test_a_program_that_crashes_fails_the_test_for_all_else(car):
    edited(car, "tiny_nodes.py", "class Rear", "import os\n\n\nclass Rear")
    text = (car.path / "tiny_nodes.py").read_text()
    write(car, "tiny_nodes.py", text + "\n\nRear.on_frame = lambda self, message: 1 / 0\n")
    result = car.runpytest("vehicle.toml", "-k", "all")
    assert result.parseoutcomes()["failed"] >= 1
    result.stdout.fnmatch_lines(["*ZeroDivisionError*"])


@pytest.mark.slow
def test_workers_of_one_run_share_its_tests_and_check_the_vehicle_once(car):
    pytest.importorskip("xdist", reason="needs pytest-xdist (extra 'test')")
    edited(car, "cut.toml", 'state = "on"', 'state = "off"', to="cut_two.toml")
    result = car.runpytest_subprocess(
        "-n",
        "2",
        "--linkloss-depth",
        "quick",
        "-k",
        "cut or (rear and not lost)",
        "--basetemp",
        "t",
    )
    assert result.parseoutcomes()["failed"] == 2
    result.stdout.fnmatch_lines(["*BROKEN: expected tail_lamp off*"])
    result.stdout.fnmatch_lines(["FAILED vehicle.toml::rear[[]stopped]*"])
    assert len(list((car.path / "t").glob("linkloss-*.json"))) == 1


EVERYTHING = ("--depth", "quick")


@pytest.fixture
def lasting(car):
    """A car whose test runs remember what failed."""
    edited(car, "pytest.ini", "-p no:cacheprovider", "")
    return car


@pytest.fixture
def checks_made(monkeypatch):
    """The options of every check that a run in this process makes."""
    made = []
    really = checks._check
    spied = lambda path, how, target: made.append(how) or really(path, how, target)
    monkeypatch.setattr(checks, "_check", spied)
    return made


def test_with_x_the_check_stops_at_its_first_broken_case(car, checks_made):
    result = car.runpytest("-x", "-rs", "vehicle.toml")
    assert checks_made == [("--depth", "quick", "--first")]
    outcomes = result.parseoutcomes()
    assert outcomes["failed"] == 1
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.stdout.fnmatch_lines(["*not exercised: the check stopped at the first case that*"])


@pytest.mark.slow
def test_last_failed_runs_the_cases_that_broke_and_then_everything(lasting, checks_made):
    lit, dark = 'self.board.write("tail_lamp", 1.0)', 'self.board.write("tail_lamp", 0.0)'
    edited(lasting, "tiny_nodes.py", lit, dark)
    chosen = ["vehicle.toml", "-k", "tail_lamp and reset"]
    assert lasting.runpytest(*chosen).parseoutcomes()["failed"] == 1
    again = lasting.runpytest("--lf", *chosen)
    assert again.parseoutcomes()["failed"] == 1
    again.stdout.fnmatch_lines(["*rule: reset (on)*"])
    edited(lasting, "tiny_nodes.py", dark, lit)
    assert lasting.runpytest("--lf", *chosen).parseoutcomes()["passed"] == 1
    assert checks_made == [EVERYTHING, ("--last",), ("--last",)]
    assert lasting.runpytest("--lf", *chosen).parseoutcomes()["passed"] == 1
    assert checks_made[3:] == [EVERYTHING]  # it did not fail


@pytest.mark.slow
def test_a_rule_that_the_remembered_cases_do_not_try_is_checked_with_all(lasting, checks_made):
    """Where nothing is remembered, say, although the test failed."""
    assert lasting.runpytest("vehicle.toml", "-k", "rear_lost").parseoutcomes()["failed"] == 1
    shutil.rmtree(lasting.path / "caches")
    assert lasting.runpytest("--lf", "vehicle.toml").parseoutcomes()["failed"] == 1
    assert checks_made == [EVERYTHING, ("--last",), EVERYTHING]


@pytest.mark.slow
def test_workers_of_one_run_stop_and_begin_with_what_failed_as_well(lasting):
    pytest.importorskip("xdist", reason="needs pytest-xdist (extra 'test')")
    spread = ["-n", "2", "--basetemp", "t", "vehicle.toml"]
    stopped = lasting.runpytest_subprocess("-x", *spread)
    assert stopped.parseoutcomes()["failed"] == 1
    assert len(list((lasting.path / "t").glob("linkloss-*.json"))) == 1
    again = lasting.runpytest_subprocess("--lf", *spread)
    again.assert_outcomes(failed=1)  # and those that passed are left out
    (document,) = (lasting.path / "t").glob("linkloss-*.json")
    assert len(json.loads(document.read_text())["cases"]) == 1
