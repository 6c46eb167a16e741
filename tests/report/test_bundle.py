"""A bundle holds all that a finding needs, runs elsewhere, and only for whoever trusts it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from zipfile import ZipFile

import pytest

from linkloss.cli import main

TINY = Path(__file__).parent / "tiny"
SCENARIO = """
title = "The cable is cut"
vehicle = "vehicle.toml"
lasts = "2 s"

[[steps]]
at = "500 ms"
fault = "hang"
node = "rear"
"""


@pytest.fixture
def car(tmp_path, monkeypatch) -> Path:
    folder = tmp_path / "car"
    shutil.copytree(TINY, folder, ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "stops.toml").write_text(SCENARIO, encoding="utf-8")
    monkeypatch.chdir(folder)
    return folder


def test_a_bundle_runs_elsewhere_with_the_same_result(car, tmp_path, monkeypatch, capsys):
    exit_code = main(["run", "stops.toml", "-q", "--json", "here.json"])
    assert main(["bundle", "stops.toml"]) == 0
    assert "with the programs of the car" in capsys.readouterr().out
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (car / "stops.zip").rename(elsewhere / "stops.zip")
    here = json.loads((car / "here.json").read_text())
    shutil.rmtree(car)
    monkeypatch.chdir(elsewhere)
    assert main(["run", "stops.zip", "--trust", "-q", "--json", "there.json"]) == exit_code
    there = json.loads((elsewhere / "there.json").read_text())
    assert there["verdicts"] == here["verdicts"]
    assert there["content"] == here["content"]
    with ZipFile("stops.zip") as archive:
        assert {"vehicle.toml", "tiny_nodes.py", "tiny.dbc", "stops.toml"} <= {*archive.namelist()}
        assert json.loads(archive.read("recording.json"))["verdicts"] == here["verdicts"]
        assert "python-can" in archive.read("versions.txt").decode()
        assert "trust who sent it" in archive.read("BUNDLE.txt").decode().replace("\n", " ")


def test_a_bundle_says_that_it_holds_programs_and_runs_none_of_them(car, capsys):
    with (car / "tiny_nodes.py").open("a") as source:
        source.write("\nfrom pathlib import Path\nPath('ran').touch()\n")
    assert main(["bundle", "stops.toml", "--to", "sent.zip"]) == 0
    (car / "ran").unlink()
    capsys.readouterr()
    assert main(["run", "sent.zip"]) == 2
    told = capsys.readouterr().err
    assert "holds programs, which would run on this computer" in told
    assert "tiny_nodes.py" in told
    assert not (car / "ran").exists()


def test_an_absolute_path_in_the_vehicle_file_is_one_from_its_folder_in_the_bundle(car):
    text = (car / "vehicle.toml").read_text()
    assert '"tiny.dbc"' in text
    absolute = (car / "tiny.dbc").resolve().as_posix()
    (car / "vehicle.toml").write_text(text.replace('"tiny.dbc"', f'"{absolute}"'))
    assert main(["bundle", "stops.toml"]) == 0
    with ZipFile("stops.zip") as archive:
        assert archive.read("vehicle.toml").decode() == text


@pytest.mark.parametrize(
    ("members", "told"),
    [
        ({"a.txt": "x"}, "is no bundle"),
        ({"SCENARIO.txt": "../../etc/passwd"}, "is not in it"),
        ({"SCENARIO.txt": "a.toml"}, "its scenario 'a.toml' is not in it"),
        ({"SCENARIO.txt": "a.toml", "zeros": "0" * 300}, "unpacks to 306 bytes"),
        (None, "cannot be read"),
    ],
)
def test_what_is_no_bundle_is_refused_in_a_sentence(car, monkeypatch, capsys, members, told):
    monkeypatch.setattr("linkloss.report.bundle.MOST_BYTES", 250)
    if members is None:
        (car / "x.zip").write_bytes(b"no archive")
    else:
        with ZipFile(car / "x.zip", "w") as archive:
            for name, text in members.items():
                archive.writestr(name, text)
    assert main(["run", "x.zip", "--trust"]) == 2
    assert told in capsys.readouterr().err


def test_trust_is_for_bundles_and_a_bundle_ends_in_zip(car, capsys):
    assert main(["run", "stops.toml", "--trust"]) == 2
    assert "is for a bundle" in capsys.readouterr().err
    assert main(["bundle", "stops.toml", "--to", "x.tar"]) == 2
    assert "ends in .zip" in capsys.readouterr().err
