"""A result in JSON comes back whole, and whatever is no result is refused in words."""

from __future__ import annotations

import json
import shutil
from importlib.util import find_spec
from pathlib import Path

import pytest
from html_values import page_of

from linkloss.campaign.check import check, looked
from linkloss.campaign.result import CheckReport
from linkloss.campaign.run import run
from linkloss.campaign.selection import content
from linkloss.cli import main
from linkloss.problem import BadInput
from linkloss.report.html import Page, looks, render, reopened_page, run_page
from linkloss.report.machine import check_json, run_json
from linkloss.report.reopen import CHANGED, reopen
from linkloss.scenario import load_scenario
from linkloss.vehicle.loading import load_vehicle
from linkloss.vehicle.programs import ProgramError, forget_programs, unread_program

TINY = Path(__file__).parent / "tiny"


def reopened(path: Path) -> Page:
    found = reopen(path, programs=True)
    return reopened_page(found, looked(looks(found.result), jobs=1))


@pytest.fixture
def car(tmp_path) -> Path:
    folder = tmp_path / "car"
    shutil.copytree(TINY, folder, ignore=shutil.ignore_patterns("__pycache__"))
    return folder


@pytest.fixture
def checked(car) -> tuple[CheckReport, Path]:
    report = check(load_vehicle(car / "vehicle.toml"), only=["none", "cut", "reset"], jobs=1)
    path = car / "result.json"
    path.write_text(check_json(report), encoding="utf-8")
    return report, path


def test_a_check_comes_back_with_all_its_cases(checked):
    report, path = checked
    found = reopen(path)
    assert isinstance(found.result, CheckReport)
    assert not found.changed
    assert [case.name for case in found.result.cases] == [case.name for case in report.cases]
    assert (
        check_json(found.result).partition('"reached"')[2].partition('"findings"')[2]
        == (check_json(report).partition('"reached"')[2].partition('"findings"')[2])
    )
    assert found.space == tuple(report.space.sentences())


def test_a_file_laid_out_anew_comes_back_too(checked):
    report, path = checked
    path.write_text(json.dumps(json.loads(path.read_text()), indent=4), encoding="utf-8")
    assert len(reopen(path).result.cases) == len(report.cases)


def test_the_page_of_a_check_that_came_back_is_that_of_the_check_itself(checked):
    report, path = checked
    ours = render(page_of(report))
    theirs = render(reopened(path))
    told = [
        line for line in ours.splitlines() if not line.startswith("    <p>R")
    ]  # what it reached
    assert [line for line in told if line not in theirs.splitlines()] == []


def test_why_it_broke_comes_back_too(car, capsys, monkeypatch):
    """On the screen, on the page, and in the JSON of the result that came back."""
    monkeypatch.chdir(car)
    only = ["--only", "hang", "--only", "cut", "--jobs", "1", "-q"]
    assert main(["check", "vehicle.toml", *only, "--json", "c.json", "--html", "first.html"]) == 1
    first = capsys.readouterr().out
    assert "2 causes" in first
    assert first.count("   Why: ") == first.count("   Do:  ") == 2
    assert main(["report", "c.json", "--html", "again.html", "--again", "--jobs", "1"]) == 1
    assert capsys.readouterr().out == f"{first}written: again.html\n"
    ours, theirs = (
        Path(name).read_text("utf-8").splitlines() for name in ("first.html", "again.html")
    )
    assert set(ours) - set(theirs) == {line for line in ours if line.startswith("    <p>R")}
    found, known = reopen(Path("c.json"), programs=True), json.loads(Path("c.json").read_text())
    assert [story.shrunk.scenario.steps for story in found.told.stories.told]
    made = json.loads(check_json(found.result, found.told))
    for key in ("causes", "diagnoses", "stories", "findings"):
        assert made[key] == known[key]
    assert {entry["found"]["mechanism"] for entry in made["diagnoses"]} >= {
        cause["mechanism"] for cause in made["causes"]
    }


def test_a_result_that_says_less_of_its_stories_comes_back_without_them(car, monkeypatch):
    """One that an earlier version wrote, or whose vehicle no longer has what happens in it."""
    monkeypatch.chdir(car)
    assert (
        main(["check", "vehicle.toml", "--only", "cut", "--jobs", "1", "-q", "--json", "c.json"])
        == 1
    )
    known = json.loads(Path("c.json").read_text())
    told = [story["scenario"] for story in known["stories"]]
    assert told
    for story in known["stories"]:
        story["scenario"] = story["scenario"].replace('fault = "cut"', 'fault = "no such"')
    Path("c.json").write_text(json.dumps(known))
    assert reopen(Path("c.json")).told.stories.told == ()
    for story in known["stories"]:
        for key in ("scenario", "verdict", "shows", "runs", "budget"):
            del story[key]
    del known["diagnoses"]
    Path("c.json").write_text(json.dumps(known))
    found = reopen(Path("c.json"))
    assert (found.told.stories.told, found.told.diagnoses) == ((), {})
    assert len(found.result.findings) == len(known["findings"])


def test_a_run_comes_back_with_its_recording(car):
    result = run(load_scenario(car / "cut.toml"))
    path = car / "run.json"
    path.write_text(run_json(result), encoding="utf-8")
    found = reopen(path).result
    assert found.recording == result.recording
    assert found.verdicts == result.verdicts
    assert found.exit_code == result.exit_code
    assert render(run_page(found)) == render(run_page(result))


def test_a_vehicle_that_has_changed_since_is_told(checked):
    _, path = checked
    vehicle = path.parent / "vehicle.toml"
    vehicle.write_text(vehicle.read_text() + "\n# another day\n")
    found = reopen(path, programs=True)
    assert found.changed
    assert CHANGED in render(reopened_page(found, looked(looks(found.result), jobs=1)))


def test_a_report_runs_no_program_unless_it_is_told_to(checked, capsys):
    """A program that leaves a file behind as soon as it is imported."""
    report, path = checked
    forget_programs(report.vehicle.programs.values())
    program = path.parent / "tiny_nodes.py"
    spy = "\nfrom pathlib import Path\nPath(__file__).with_name('ran').touch()\n"
    program.write_text(program.read_text() + spy)
    ran, page = path.with_name("ran"), path.with_suffix(".html")
    assert main(["report", str(path)]) == main(["report", str(path)])
    assert not ran.exists()
    text = " ".join(page.read_text(encoding="utf-8").split())
    assert "linkloss report&#39; runs no program; with &#39;--again&#39; it does" in text
    assert main(["report", str(path), "--again", "--jobs", "1"]) == 1
    assert ran.exists()
    assert main(["report", str(path), "--jobs", "1"]) == 2
    assert "--jobs: runs cases; expected '--again' too" in capsys.readouterr().err


@pytest.mark.skipif(
    not (shutil.which("cc") and shutil.which("c++") and find_spec("cffi")),
    reason="needs a C and a C++ compiler (Debian: gcc, g++), and cffi",
)
def test_a_program_that_is_not_run_has_the_same_digest_as_one_that_is(tmp_path, monkeypatch):
    main(["new", str(tmp_path / "car"), "--nodes", "dash,front=sketch,rear=c,tail=script"])
    path = tmp_path / "car" / "vehicle.toml"
    wanted = content(load_vehicle(path))
    monkeypatch.setattr("linkloss.firmware.program.Library", None)
    unread = load_vehicle(path, programs=False)
    assert content(unread) == wanted
    with pytest.raises(RuntimeError, match="was not read, and cannot run"):
        unread.programs["dash"](None)


def test_a_program_in_a_package_is_found_without_importing_it(tmp_path, monkeypatch):
    package = tmp_path / "some_package"
    package.mkdir()
    (package / "__init__.py").write_text("raise SystemExit")
    (package / "nodes.py").write_text("")
    monkeypatch.syspath_prepend(tmp_path)
    found = unread_program("some_package.nodes:Rear", tmp_path)
    assert found.path == package / "nodes.py"
    for reference in ("some_package.other:Rear", "no_package:Rear", "rear.py:Rear"):
        with pytest.raises(ProgramError, match="there is no file"):
            unread_program(reference, tmp_path)


def test_a_vehicle_named_from_elsewhere_is_found_beside_the_result(checked, monkeypatch, tmp_path):
    _, path = checked
    path.write_text(path.read_text().replace(str(path.parent / "vehicle.toml"), "vehicle.toml"))
    monkeypatch.chdir(tmp_path)
    assert not reopen(path).changed


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "this is no JSON"),
        ("[1]", "the result is damaged: Input should be an object, got [1]"),
        ("{}", "format: got None; expected a result: 'linkloss check' or 'linkloss run'"),
        ('{"format": "linkloss run", "version": 99}', "version: got 99; this linkloss reads"),
        ('{"format": "linkloss run", "version": 1}', "vehicle_file: is missing"),
        (
            '{"format": "linkloss check",\n"cases": [\n {"name": 3}\n]}',
            "name: the result is damaged",
        ),
    ],
)
def test_what_is_no_result_is_refused_by_name(tmp_path, text, told):
    path = tmp_path / "x.json"
    path.write_text(text)
    with pytest.raises(BadInput) as caught:
        reopen(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert told in str(caught.value)


def test_a_result_that_lacks_something_is_refused(car):
    path = car / "run.json"
    document = json.loads(run_json(run(load_scenario(car / "cut.toml"))))
    del document["frames"]
    path.write_text(json.dumps(document))
    with pytest.raises(BadInput, match="the recording has no 'frames'"):
        reopen(path)


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(BadInput, match=r"no\.json: cannot be read: No such file"):
        reopen(tmp_path / "no.json")
