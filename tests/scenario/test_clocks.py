"""The nodes' clocks as text: in scenario files and in the names of cases, read back the same."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.problem import BadInput
from linkloss.report.findings import scenario_toml
from linkloss.scenario import (
    Scenario,
    clock_parts,
    clocks_written,
    drifts_written,
    load_scenario,
    read_clock_part,
)
from linkloss.units import parse_drift, parse_duration
from linkloss.vehicle.loading import load_vehicle

TINY = Path(__file__).parents[1] / "report" / "tiny" / "vehicle.toml"
DAY = 86_400_000_000_000
names = st.sampled_from(["dash", "rear", "a-b", "n2"])
clocks = st.dictionaries(names, st.integers(0, 50 * DAY))
drifts = st.dictionaries(names, st.integers(-100_000_000, 100_000_000).map(lambda ppb: ppb / 1000))


def read(parts):
    found_clocks, found_drifts = {}, {}
    for part in parts:
        told = read_clock_part(part)
        assert told is not None, part
        found_clocks |= told[0]
        found_drifts |= told[1]
    return found_clocks, found_drifts


@given(clocks, drifts)
def test_the_parts_of_a_name_are_read_back(clocks, drifts):
    assert read(clock_parts(clocks, drifts)) == (clocks, drifts)


def test_parts_are_written_as_agreed():
    parts = clock_parts({"rear": 65_000_000_000, "dash": 1_500_000}, {"rear": -100.0})
    assert parts == ("clocks(rear=65s,dash=1500us)", "drifts(rear=-100ppm)")
    assert clock_parts({}, {}) == ()


@pytest.mark.parametrize("part", ["unplug(rear)@1s", "lights=off@2s", "clocks", "clocks()", "x"])
def test_other_parts_tell_of_no_clock(part):
    assert read_clock_part(part) is None


@pytest.mark.parametrize("part", ["clocks(rear)", "clocks(rear=fast)", "drifts(rear=1s)"])
def test_a_part_that_is_no_quantity_is_refused(part):
    with pytest.raises(ValueError, match="expected a"):
        read_clock_part(part)


def test_days_and_hours_are_durations():
    assert parse_duration("49.7 d") == round(49.7 * 86_400) * 10**9
    assert parse_duration("50d") == 50 * DAY
    assert parse_duration("1.5 h") == 5400 * 10**9


def test_a_clock_is_wrong_by_parts_per_million():
    assert parse_drift("-100 ppm") == -100.0
    with pytest.raises(ValueError, match="100000 ppm"):
        parse_drift("200000 ppm")


def load(folder, lines):
    text = f'title = "A"\nvehicle = "{TINY.as_posix()}"\nlasts = "1 s"\n{lines}\n'
    path = folder / "story.toml"
    path.write_text(text, encoding="utf-8")
    return load_scenario(path)


def test_a_scenario_file_says_them(tmp_path):
    told = load(tmp_path, 'clocks = { rear = "49.7 d" }\ndrifts = { dash = "-100 ppm" }')
    assert told.clocks == {"rear": round(49.7 * 86_400) * 10**9}
    assert told.drifts == {"dash": -100.0}


def test_a_node_that_is_none_is_told_with_its_line(tmp_path):
    with pytest.raises(BadInput) as caught:
        load(tmp_path, 'clocks = { raer = "1 s" }')
    assert "raer" in str(caught.value)
    assert "did you mean 'rear'" in str(caught.value)


def test_a_scenario_that_is_written_keeps_them(tmp_path):
    vehicle = load_vehicle(TINY)
    told = Scenario(
        "x", "", vehicle, "", {}, (), (), 10**9, clocks={"rear": 65 * 10**9}, drifts={"dash": 0.5}
    )
    path = tmp_path / "story.toml"
    path.write_text(scenario_toml(told, vehicle=TINY.as_posix(), title="A"), encoding="utf-8")
    back = load_scenario(path)
    assert (back.clocks, back.drifts) == (told.clocks, told.drifts)
    assert clocks_written(back.clocks) == {"rear": "65 s"}
    assert drifts_written(back.drifts) == {"dash": "0.5 ppm"}
