"""What a check would run is told before it runs, with an estimate of how long it takes."""

from __future__ import annotations

from pathlib import Path

import pytest

from linkloss.campaign.check import check
from linkloss.campaign.forecast import forecast
from linkloss.cli import main
from linkloss.problem import BadInput
from linkloss.vehicle.loading import load_vehicle

CAR = Path(__file__).parents[1] / "report" / "tiny" / "vehicle.toml"


@pytest.mark.parametrize("only", [["none"], ["cut", "reset"]])
def test_it_counts_the_cases_and_the_seconds_that_a_check_runs(only):
    told = forecast(load_vehicle(CAR), only=only)
    report = check(load_vehicle(CAR), only=only, jobs=1)
    assert told.cases == len(report.cases) > 0
    assert told.simulated_ns == report.simulated_ns
    assert None not in (told.measured_s, told.takes_s)
    assert told.measured_ns == min(case.simulated_ns for case in report.cases)


def test_the_estimate_follows_from_what_was_measured():
    told = forecast(load_vehicle(CAR), only=["cut"], jobs=3)
    assert None not in (told.measured_s, told.takes_s)
    alone_s = told.measured_s * told.simulated_ns / told.measured_ns
    assert told.takes_s == pytest.approx(alone_s / 3)


def test_a_hunt_takes_as_long_as_it_is_given():
    told = forecast(load_vehicle(CAR), depth="hunt", for_s=0.0)
    assert (told.takes_s, told.bands, told.hunted) == (0, (), None)
    told = forecast(load_vehicle(CAR), depth="hunt", cases=40, jobs=2)
    assert told.measured_s is not None
    assert told.takes_s == pytest.approx(20 * told.measured_s)
    with pytest.raises(BadInput, match="a hunt has no end of its own"):
        forecast(load_vehicle(CAR), depth="hunt")


def test_the_command_judges_nothing_and_says_that_it_estimates(capsys, tmp_path):
    assert main(["check", str(CAR), "--dry-run", "--depth", "quick"]) == 0
    out = capsys.readouterr().out
    assert "Nothing was judged." in out
    assert "Depth quick: " in out
    assert "Estimate: about " in out
    assert main(["check", str(CAR), "--dry-run", "--json", str(tmp_path / "x.json")]) == 2
    assert "--dry-run: judges nothing" in capsys.readouterr().err
    assert not (tmp_path / "x.json").exists()
    assert main(["check", str(CAR), "--dry-run", "--only", "cutt"]) == 2
    assert "did you mean 'cut'?" in capsys.readouterr().err
