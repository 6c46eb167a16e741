"""What a check would run is told before it runs, with an estimate of how long it takes."""

from __future__ import annotations

import re
from itertools import count
from pathlib import Path

import pytest

from linkloss.campaign import forecast as forecasts
from linkloss.campaign.check import check
from linkloss.campaign.forecast import forecast
from linkloss.campaign.selection import CheckRequest
from linkloss.cli import main
from linkloss.problem import BadInput
from linkloss.report.terminal import _from_to
from linkloss.vehicle.loading import load_vehicle

CAR = Path(__file__).parents[1] / "report" / "tiny" / "vehicle.toml"


@pytest.mark.parametrize("only", [["none"], ["cut", "reset"]])
def test_it_counts_the_cases_and_the_seconds_that_a_check_runs(only):
    told = forecast(load_vehicle(CAR), only=only)
    report = check(load_vehicle(CAR), only=only, jobs=1)
    assert told.cases == len(report.cases) > 0
    assert told.simulated_ns == report.simulated_ns
    lengths = {case.simulated_ns for case in report.cases}
    assert told.measured[0].simulated_ns == min(lengths)
    assert {took.simulated_ns for took in told.measured} <= lengths
    assert len(told.measured) == min(4, len(report.cases))


def test_the_estimate_follows_from_what_was_measured():
    told = forecast(load_vehicle(CAR), only=["cut"], jobs=3)
    shares = [took.cpu_s / took.simulated_ns for took in told.measured]
    alone_s = (min(shares) * told.simulated_ns, max(shares) * told.simulated_ns)
    assert told.takes_s == pytest.approx((alone_s[0] / 3, alone_s[1] / 3))


def test_the_estimate_counts_processor_time_alone(monkeypatch):
    """However late the machine is: each case takes half a second by the clock of its process."""
    clock = count(step=0.5)
    monkeypatch.setattr(forecasts, "processor_seconds", lambda: next(clock))
    told = forecast(load_vehicle(CAR), only=["cut"], jobs=1)
    assert {took.cpu_s for took in told.measured} == {0.5}
    by_length = {0.5 / took.simulated_ns * told.simulated_ns for took in told.measured}
    assert told.takes_s == (pytest.approx(min(by_length)), pytest.approx(max(by_length)))


@pytest.mark.parametrize(
    "least, most, shown",
    [
        (180, 300, "3 to 5 min"),
        (40, 110, "40 s to 2 min"),
        (72, 130, "1 to 2 min"),
        (175, 185, "about 3 min"),
        (0.25, 3, "250 ms to 3 s"),
    ],
)
def test_an_estimate_is_told_as_a_range(least, most, shown):
    assert _from_to(least, most) == shown


@pytest.mark.parametrize("depth", ["quick", "full"])
def test_what_was_chosen_and_what_was_left_out_are_all_that_there_is(depth):
    space = CheckRequest(CAR, depth=depth).planned(load_vehicle(CAR)).space
    counted = [re.match(r"Left out: ([\d,]+) cases", sentence) for sentence in space.left_out]
    left = sum(int(found[1].replace(",", "")) for found in counted if found)
    assert space.chosen + left == space.singles


def test_a_hunt_takes_as_long_as_it_is_given():
    told = forecast(load_vehicle(CAR), depth="hunt", for_s=0.0)
    assert (told.takes_s, told.bands, told.hunted) == ((0, 0), (), None)
    told = forecast(load_vehicle(CAR), depth="hunt", cases=40, jobs=2)
    lengths = [took.simulated_ns for took in told.measured]
    usual_ns = sum(lengths) // len(lengths)
    shares = [took.cpu_s / took.simulated_ns for took in told.measured]
    assert told.takes_s == pytest.approx((20 * usual_ns * min(shares), 20 * usual_ns * max(shares)))
    with pytest.raises(BadInput, match="a hunt has no end of its own"):
        forecast(load_vehicle(CAR), depth="hunt")


def test_the_command_judges_nothing_and_says_that_it_estimates(capsys, tmp_path):
    assert main(["check", str(CAR), "--dry-run", "--depth", "quick"]) == 0
    out = capsys.readouterr().out
    assert "Nothing was judged." in out
    assert "Depth quick: " in out
    assert re.search(r"Estimate: .*(s|min|ms) with \d+ at a time", " ".join(out.split()))
    assert "of processor time" in " ".join(out.split())
    assert main(["check", str(CAR), "--dry-run", "--json", str(tmp_path / "x.json")]) == 2
    assert "--dry-run: judges nothing" in capsys.readouterr().err
    assert not (tmp_path / "x.json").exists()
    assert main(["check", str(CAR), "--dry-run", "--only", "cutt"]) == 2
    assert "did you mean 'cut'?" in capsys.readouterr().err
