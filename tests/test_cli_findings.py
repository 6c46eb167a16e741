"""The command line: what a check leaves in its findings folder, and running that again."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from linkloss.cli import main

TINY = Path(__file__).parent / "report" / "tiny"
CHECK = ["check", "vehicle.toml", "--only", "hang", "--jobs", "1", "-q"]


@pytest.fixture
def car(tmp_path, monkeypatch) -> Path:
    """The tiny car, in a folder of its own that is the current one."""
    folder = tmp_path / "car"
    shutil.copytree(TINY, folder, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.chdir(folder)
    monkeypatch.setenv("COLUMNS", "80")
    return folder


def test_each_finding_is_a_file_that_runs_alone_and_breaks_the_same_rule(car, capsys):
    assert main([*CHECK, "--json", "c.json"]) == 1
    out = capsys.readouterr().out
    report = json.loads((car / "c.json").read_text())
    files = {story["name"]: story["file"] for story in report["stories"]}
    assert sorted(files.values()) == sorted(f"findings/{p.name}" for p in car.glob("findings/*"))
    assert files
    assert report["causes"]
    for cause in report["causes"]:
        assert f"linkloss run {files[cause['story']]}" in out
    for finding in report["findings"]:
        file = files[finding["story"]]
        assert main(["run", file, "-q", "--json", "r.json"]) == 1
        broken = json.loads((car / "r.json").read_text())["broken"]
        assert [finding["subject"], finding["rule"]] in [[b["subject"], b["rule"]] for b in broken]


def test_a_second_check_writes_the_same_files_anew(car):
    main(CHECK)
    first = {path: path.read_bytes() for path in car.glob("findings/*")}
    main([*CHECK[:-3], "--jobs", "2", "-q"])
    assert first == {path: path.read_bytes() for path in car.glob("findings/*")}


def test_findings_go_where_the_user_wants_them(car, capsys):
    assert main([*CHECK, "--findings", "out/today", "--budget", "30"]) == 1
    assert list(car.glob("out/today/*.toml"))
    assert not (car / "findings").exists()
    assert main([*CHECK, "--findings", "out/today", "--budget", "30", "--verbose"]) == 1
    assert "of 30 runs" in " ".join(capsys.readouterr().out.split())


def test_nothing_is_shrunk_nor_written_when_nobody_wants_it(car, capsys):
    assert main([*CHECK, "--no-shrink", "--json", "c.json"]) == 1
    assert not (car / "findings").exists()
    out = capsys.readouterr().out
    assert "linkloss run" not in out
    assert json.loads((car / "c.json").read_text())["stories"] == []


def test_control_c_while_shrinking_leaves_the_report_and_returns_130(car, capsys, monkeypatch):
    def interrupted(jobs, processes, limit_s):
        raise KeyboardInterrupt

    monkeypatch.setattr("linkloss.campaign.stories.shrunk_apart", interrupted)
    assert main([*CHECK, "--json", "c.json"]) == 130
    out, err = capsys.readouterr()
    assert err.splitlines()[-1] == "linkloss: interrupted while shrinking what broke"
    assert "not shrunk: interrupted" in " ".join(out.split())
    findings = json.loads((car / "c.json").read_text())["findings"]
    assert {finding["story_missing"] for finding in findings} == {"interrupted"}


def test_a_check_that_breaks_nothing_makes_no_folder(car):
    main(["check", "vehicle.toml", "--only", "none", "--jobs", "1", "-q"])
    assert not (car / "findings").exists()


def test_where_the_usual_folder_cannot_be_the_stories_are_told_without_files(car, capsys):
    (car / "findings").write_text("mine")
    assert main([*CHECK, "--verbose"]) == 1
    out, err = capsys.readouterr()
    assert "after the program of rear hung" in " ".join(out.split())
    assert "linkloss run" not in out
    assert err == (
        "linkloss: the shrunk scenarios are not kept: findings: cannot be made: File exists\n"
    )
    assert (car / "findings").read_text() == "mine"


CRASH = """
import ctypes
from tiny_nodes import Rear as Sound


class Rear(Sound):
    def start(self):
        if self.board.memory.setdefault("starts", 0):
            ctypes.CDLL(None)._exit(0)
        self.board.memory["starts"] += 1
        super().start()
"""


def test_a_program_that_ends_its_process_is_shrunk_and_run_again_apart(car, capsys):
    (car / "crash.py").write_text(CRASH)
    text = (car / "vehicle.toml").read_text().replace("tiny_nodes.py:Rear", "crash.py:Rear")
    (car / "vehicle.toml").write_text(text)
    options = ["--only", "reset", "--jobs", "1", "-q", "--json", "c.json"]
    assert main(["check", "vehicle.toml", *options]) == 1
    (story,) = json.loads((car / "c.json").read_text())["stories"]
    assert story["tells"] == [["(process)", "program"]]
    assert story["command"] == f"linkloss run {story['file']}"
    assert [label for *_, label in story["faults"]] == ["reset(rear)"]
    capsys.readouterr()
    assert main(["run", story["file"], "--json", "r.json"]) == 1
    assert "brought its process down" in " ".join(capsys.readouterr().out.split())
    (broken,) = json.loads((car / "r.json").read_text())["broken"]
    assert [broken["subject"], broken["rule"]] == ["(process)", "program"]


def test_a_run_apart_shows_what_a_run_here_shows(car, capsys):
    assert main(["run", "cut.toml", "--here", "--json", "here.json"]) == 0
    here = capsys.readouterr().out
    assert main(["run", "cut.toml", "--json", "apart.json"]) == 0
    assert capsys.readouterr().out == here
    assert (car / "apart.json").read_bytes() == (car / "here.json").read_bytes()


@pytest.mark.parametrize(
    "options, message",
    [
        (["--budget", "0"], "linkloss: --budget: got 0; expected at least 1 run"),
        (
            ["--no-shrink", "--budget", "9"],
            "linkloss: --budget: has no effect with '--no-shrink'; expected only one of them",
        ),
        (
            ["--no-shrink", "--findings", "x"],
            "linkloss: --findings: has no effect with '--no-shrink'; expected only one of them",
        ),
        (
            ["--findings", "vehicle.toml"],
            "vehicle.toml: this is no folder; expected a folder for the findings",
        ),
    ],
)
def test_options_that_make_no_sense_are_refused_before_anything_runs(car, capsys, options, message):
    assert main([*CHECK, *options]) == 2
    out, err = capsys.readouterr()
    assert err.strip() == message
    assert out == ""
