"""The seeded driver, and the drive that it made for the repository."""

from __future__ import annotations

import gzip
from dataclasses import replace

import pytest
from replay_lab import DRIVE, S, wren

from linkloss.logs.drive import drive_scenario
from linkloss.problem import BadInput
from linkloss.report.export import write_log
from linkloss.session import simulate


def test_the_same_seed_makes_the_same_drive_and_another_another():
    one, two, other = (drive_scenario(wren(), 100 * S, seed) for seed in (1, 1, 2))
    assert one.actions == two.actions
    assert one.actions != other.actions


def test_a_longer_drive_begins_like_a_shorter_one():
    short, long = drive_scenario(wren(), 100 * S, 1), drive_scenario(wren(), 300 * S, 1)
    assert long.actions[: len(short.actions)] == short.actions


def test_ten_minutes_go_through_most_situations_and_start_the_engine():
    actions = drive_scenario(wren(), 600 * S, 1).actions
    moved = {name for action in actions for name in action.values}
    assert moved == set(wren().inputs)
    assert sum(action.values.get("start_button") == "pressed" for action in actions) >= 3
    assert [action.at_ns for action in actions] == sorted(action.at_ns for action in actions)


def test_a_vehicle_without_situations_cannot_be_driven():
    file = wren().file.model_copy(update={"situations": {}})
    with pytest.raises(BadInput, match="there is none; a drive is made of them"):
        drive_scenario(replace(wren(), file=file), S, 0)


def test_the_bundled_drive_is_what_seed_1_makes(tmp_path):
    """``linkloss drive scenarios/wren/vehicle.toml --seed 1 --log scenarios/wren/drive.log.gz``"""
    recording = simulate(drive_scenario(wren(), 60 * S, 1))
    write_log(recording, wren().buses[0].channel, tmp_path / "drive.log")
    made = (tmp_path / "drive.log").read_text()
    with gzip.open(DRIVE, "rt") as bundled:
        assert bundled.read(len(made)) == made
