"""The car that ``linkloss new`` writes runs at once and breaks no rule."""

from __future__ import annotations

import shutil

import pytest

from linkloss.campaign.check import check
from linkloss.cli import main
from linkloss.vehicle.loading import load_vehicle

pytest.importorskip("cffi", reason="its node is in C: needs the extra 'firmware' (cffi)")
needs_compiler = pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler")


@needs_compiler
def test_a_new_car_breaks_no_rule_and_its_story_runs(tmp_path, capsys):
    folder = tmp_path / "mine"
    assert main(["new", str(folder)]) == 0
    assert "linkloss check" in capsys.readouterr().out
    only = ["none", "bus_off", "hang", "reset", "slow_boot"]
    report = check(load_vehicle(folder / "vehicle.toml"), only=only, jobs=1)
    assert [finding.case.name for finding in report.findings] == []
    assert len(report.cases) > 20
    assert main(["run", str(folder / "cable_pulled.toml")]) == 0


@pytest.mark.slow
@needs_compiler
def test_a_new_car_passes_its_whole_check(tmp_path):
    assert main(["new", str(tmp_path)]) == 0
    report = check(load_vehicle(tmp_path / "vehicle.toml"))
    assert [finding.case.name for finding in report.findings] == []
    assert report.exit_code == 0  # and no rule without a case
    assert len(report.cases) > 40


@needs_compiler
def test_a_missing_time_out_in_it_is_found(tmp_path):
    assert main(["new", str(tmp_path)]) == 0
    path = tmp_path / "rear.c"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("LOST_AFTER_MS = 250", "LOST_AFTER_MS = 9999999"), "utf-8")
    report = check(load_vehicle(tmp_path / "vehicle.toml"), only=["alter"])
    found = [each.verdict for each in report.findings if each.verdict.subject == "tail_lamp"]
    assert any(verdict.rule.startswith("stale") for verdict in found)


@needs_compiler
def test_a_lamp_that_is_stuck_lit_after_a_reset_is_found(tmp_path):
    assert main(["new", str(tmp_path)]) == 0
    path = tmp_path / "rear.c"
    text = path.read_text(encoding="utf-8")
    stuck = "board_reset_cause() != BOARD_POWER_UP || (heard ? asked : true)"
    assert "heard ? asked : true" in text
    path.write_text(text.replace("heard ? asked : true", stuck), encoding="utf-8")
    report = check(load_vehicle(tmp_path / "vehicle.toml"), only=["reset"], jobs=1)
    found = {(each.verdict.subject, each.verdict.rule) for each in report.findings}
    assert ("tail_lamp", "fresh") in found or ("tail_lamp", "reset") in found, found


def test_nothing_is_written_into_a_folder_that_is_in_use(tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    assert main(["new", str(tmp_path)]) == 2
    assert "not empty" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
