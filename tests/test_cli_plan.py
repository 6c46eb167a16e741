"""``linkloss plan`` as a user types it."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path

import pytest

from linkloss.cli import main
from linkloss.shipped import demo_vehicle

TINY = Path(__file__).parent / "report" / "tiny"


@pytest.fixture
def wren(tmp_path, monkeypatch) -> Path:
    """A copy of Wren that may be changed."""
    root = demo_vehicle().parents[2]
    for name in ("scenarios", "dbc"):
        shutil.copytree(root / name, tmp_path / name, ignore=shutil.ignore_patterns("*.gz"))
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)
    return tmp_path / "scenarios" / "wren" / "vehicle.toml"


def test_wren_suits_and_the_cautions_stand_below(wren, capsys):
    assert main(["plan", str(wren)]) == 0
    out, err = capsys.readouterr()
    words = " ".join(out.split())
    assert err == ""
    verdict = "27 loads, 57 leads looked at: nothing to change, 1 to think about. First: supply:"
    assert words.startswith(f"Wren: power plan {verdict} no fuse protects the lead of the starter")
    assert "can set the car on fire" in words
    assert "hundreds of amperes" in words
    assert "A bench result is not an approval." in words
    assert "\x1b" not in out
    assert max(map(len, out.splitlines())) <= 80


def test_a_fuse_that_does_not_suit_returns_1(wren, capsys):
    text = wren.read_text().replace(
        'fuse = "30 A"\nrequest = "Eng', 'fuse = "15 A"\nrequest = "Eng'
    )
    wren.write_text(text)
    assert main(["plan", str(wren)]) == 1
    words = " ".join(capsys.readouterr().out.split())
    assert "3 things to change, 1 to think about. First: cooling_fan: a maxi fuse" in words
    assert "(common practice)" in words


def test_a_vehicle_without_a_supply_returns_3_and_says_so(capsys):
    assert main(["plan", str(TINY / "vehicle.toml")]) == 3
    assert "there is no table 'supply'" in " ".join(capsys.readouterr().out.split())


def test_the_lead_list_goes_to_the_standard_output_alone(wren, capsys):
    assert main(["plan", str(wren), "--csv", "-"]) == 0
    out, err = capsys.readouterr()
    rows = list(csv.DictReader(io.StringIO(out)))
    assert len(rows) == 57
    assert rows[0] == {
        "from": "battery plus", "to": "starter motor", "colour": "black", "size": "25 mm2",
        "length_m": "1.4", "fuse_a": "",
    }  # fmt: skip
    assert all(float(row["length_m"]) > 0 for row in rows)
    assert "Wren: power plan" in err


def test_a_colour_is_no_formula(wren, capsys):
    wren.write_text(wren.read_text().replace('colour = "yellow"', 'colour = "=1+1"'))
    main(["plan", str(wren), "--csv", "-"])
    assert "'=1+1" in capsys.readouterr().out


def test_json_and_page_say_the_same(wren, tmp_path, capsys):
    assert main(["plan", str(wren), "--json", "plan.json", "--html", "plan.html"]) == 0
    capsys.readouterr()
    found = json.loads((tmp_path / "plan.json").read_text())
    assert found["format"] == "linkloss power plan"
    assert found["exit_code"] == 0
    assert len(found["loads"]) == 27
    assert len(found["leads"]) == 57
    assert all(entry["source"] for entry in found["findings"])
    assert "can set the car on fire" in found["caution"]
    page = (tmp_path / "plan.html").read_text(encoding="utf-8")
    for text in ("nothing to change", "cooling_fan", "can set the car on fire", "battery plus"):
        assert text in page


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["nowhere.toml"], "nowhere.toml: there is no such file; expected a vehicle file"),
        (["--json", "-", "--csv", "-"], "only one result can go to the standard output"),
        (["--csv", "no/where.csv"], "no/where.csv"),
    ],
)
def test_what_cannot_be_used_is_told_in_one_line(wren, capsys, arguments, text):
    assert main(["plan", *arguments]) == 2
    out, err = capsys.readouterr()
    assert text in err
    assert len(err.splitlines()) == 1
    assert out == ""
