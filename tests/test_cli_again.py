"""The command line: a check that stops at the first cause, and one of what broke last time."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from linkloss.cli import main

TINY = Path(__file__).parent / "report" / "tiny"
CHECK = ["check", "vehicle.toml", "--depth", "quick", "-q", "--no-shrink"]
FLOODED = [*CHECK, "--only", "none", "flood"]
"""Three cases, of which the second breaks a rule."""


@pytest.fixture
def car(tmp_path, monkeypatch) -> Path:
    """The tiny car in the current folder, and a folder for caches."""
    folder = tmp_path / "car"
    shutil.copytree(TINY, folder, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.chdir(folder)
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return folder


def change(car, old, new):
    """Other words in the vehicle file."""
    path = car / "vehicle.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def repair(car):
    """Allow as long for the notice as it takes under a flood."""
    change(car, 'within = "800 ms"', 'within = "4 s"')


def cases(target="c.json"):
    return [case["name"] for case in json.loads(Path(target).read_text())["cases"]]


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_with_x_the_check_stops_at_the_first_case_that_breaks_a_rule(car, capsys, jobs):
    assert main([*FLOODED, "--json", "whole.json"]) == 1
    assert main([*FLOODED, "-x", "--jobs", jobs, "--json", "c.json"]) == 1
    report = json.loads(Path("c.json").read_text())
    ran = [case["fault"] for case in report["cases"]]
    assert ran == ["none", "flood"]
    assert len(cases("whole.json")) == 3
    shown = capsys.readouterr()
    assert "2 of 3 cases" in shown.out
    assert "stopped at the first case that breaks a rule" in shown.err


def test_with_x_one_cause_is_shrunk(car):
    every = ["check", "vehicle.toml", "-q", "--only", "none", "hang", "cut", "--budget", "20"]
    assert main([*every, "-x", "--json", "c.json"]) == 1
    report = json.loads(Path("c.json").read_text())
    assert len(report["stories"]) == 1
    assert len(list(car.glob("findings/*.toml"))) == 1


def test_with_x_nothing_is_left_out_where_nothing_breaks(car, capsys):
    main([*CHECK, "--only", "none", "--json", "whole.json"])
    assert main([*CHECK, "--only", "none", "-x", "--json", "c.json"]) == 3
    assert cases() == cases("whole.json")
    assert "stopped" not in capsys.readouterr().err


def test_last_runs_what_broke_last_and_that_alone(car):
    main([*FLOODED, "--json", "c.json"])
    broken = [finding["case"] for finding in json.loads(Path("c.json").read_text())["findings"]]
    assert len(cases()) == 3
    assert len(broken) == 1
    assert main([*CHECK, "--last", "--json", "c.json"]) == 1
    assert cases() == broken
    assert main([*CHECK, "--last", "--json", "c.json"]) == 1
    assert cases() == broken


def test_what_is_repaired_is_forgotten_and_nothing_to_run_is_no_success(car, capsys):
    main(FLOODED)
    repair(car)
    assert main([*CHECK, "--last"]) == 3  # kept, but most rules were not exercised
    assert "No rule was broken, but " in capsys.readouterr().out
    assert main([*CHECK, "--last"]) == 3
    out = capsys.readouterr().out
    assert "vehicle.toml: no case is known that broke last time. Nothing was run" in out
    assert "kept" not in out


def test_cases_that_the_vehicle_has_no_more_are_told(car, capsys):
    main(FLOODED)
    change(car, "[situations.night]", "[situations.day]")
    assert main([*CHECK, "--last"]) == 3
    assert "it has none of the 1 cases any more that broke last time" in capsys.readouterr().out


def test_what_did_not_run_is_not_forgotten(car):
    """A check of other cases, all kept, says nothing about those that broke."""
    main(FLOODED)
    assert main([*CHECK, "--only", "none"]) == 3
    assert main([*CHECK, "--last", "--json", "c.json"]) == 1
    assert len(cases()) == 1


def test_another_car_and_another_seed_have_a_memory_of_their_own(car, capsys):
    main(FLOODED)
    shutil.copy("vehicle.toml", "other.toml")
    for words in (["check", "other.toml", "-q", "--last"], [*CHECK, "--seed", "1", "--last"]):
        assert main(words) == 3
        assert "no case is known" in capsys.readouterr().out


def test_nothing_is_written_beside_the_car(car, tmp_path):
    before = sorted(path.name for path in car.iterdir())
    main(FLOODED)
    assert sorted(path.name for path in car.iterdir() if path.name != "__pycache__") == before
    assert len(list((tmp_path / "cache").rglob("*.json"))) == 1


def test_a_folder_that_cannot_be_written_changes_no_result(car, tmp_path, capsys):
    (tmp_path / "cache").write_text("a file")
    assert main([*FLOODED, "--json", "c.json"]) == 1
    assert "what broke is not remembered" in capsys.readouterr().err
    assert main([*CHECK, "--last"]) == 3


def test_a_torn_memory_is_none(car, tmp_path, capsys):
    main(FLOODED)
    (file,) = (tmp_path / "cache").rglob("*.json")
    file.write_text('{"cases": 3')
    assert main([*CHECK, "--last"]) == 3
    assert "no case is known" in capsys.readouterr().out


@pytest.mark.parametrize("more", [["--case", "night/none"], ["--only", "cut"]])
def test_last_is_a_choice_of_its_own(car, capsys, more):
    assert main([*CHECK, "--last", *more]) == 2
    assert f"expected no other choice of cases, got '{more[0]}' too" in capsys.readouterr().err
