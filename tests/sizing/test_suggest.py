"""Suggested sizes: the car with them has nothing to change that a size could put right, the patch
does what it says, and nothing is written that was not asked for.
"""

from __future__ import annotations

import shutil
import subprocess
import tomllib

import pytest
from power_cars import SOUND, PowerCar, sound_car

from linkloss.cli import main
from linkloss.sizing.power_plan import power_plan
from linkloss.sizing.suggest import suggest
from linkloss.vehicle.loading import load_vehicle

FEED = 'feed = { size = "16 mm2", length = "1.5 m", fuse = "80 A" }'
SMALL = {
    FEED: 'feed = { size = "4 mm2", length = "1.5 m", fuse = "40 A" }',
    'fuse = "30 A"': 'fuse = "20 A"',
    'size = "4 mm2", length = "0.4 m"': 'size = "0.35 mm2", length = "0.4 m"',
    'size = "25 mm2", length = "1.5 m"': 'size = "6 mm2", length = "1.5 m"',
    'fuse = "10 A"\nelectrical.kind = "motor"': 'electrical.kind = "motor"',
    ', fuse = "3 A", fuse_type = "blade"': ', fuse_type = "blade"',
}
"""What stands in the sound car, and a size that is too small or a fuse that is missing."""


@pytest.fixture
def undersized(tmp_path):
    car = sound_car(tmp_path)
    for old, new in SMALL.items():
        car.change(old, new)
    return car


def test_the_suggested_sizes_leave_nothing_to_change(undersized):
    vehicle = undersized.load()
    assert len(power_plan(vehicle).broken) > 6
    found = suggest(vehicle)
    assert found.plan.broken == ()
    assert found.by_hand == ()
    after = {".".join(change.place): (change.before, change.after) for change in found.changes}
    assert after["loads.pump.fuse"] == ("", "10 A")
    assert after["loads.fan.fuse"] == ("20 A", "30 A")
    assert after["nodes.dash.supply.feed.fuse"] == ("", "1 A")
    assert after["supply.starter.lead.size"] == ("6 mm2", "16 mm2")


@pytest.mark.skipif(shutil.which("patch") is None, reason="there is no program 'patch'")
def test_the_patch_makes_the_file_that_was_looked_at(undersized):
    found = suggest(undersized.load())
    before = undersized.path.read_text()
    (undersized.folder / "sizes.patch").write_text(found.patch)
    subprocess.run(
        ["patch", "-s", "vehicle.toml", "sizes.patch"], cwd=undersized.folder, check=True
    )
    assert power_plan(load_vehicle(undersized.path)).broken == ()
    changed = tomllib.loads(undersized.path.read_text())
    wanted = tomllib.loads(before)
    for change in found.changes:
        table = wanted
        for key in change.place[:-1]:
            table = table[key]
        table[change.place[-1]] = change.after
    assert changed == wanted


def test_where_no_blade_fuse_does_a_larger_one_is_suggested(tmp_path):
    """A blade fuse ends at 40 A, of which it carries 31 A at 40 degC."""
    supply, loads = SOUND["LED"]
    window = SOUND["12 V"][1]["window"].replace("15 A", "40 A").replace("10 A", "36 A")
    window = window.replace("relay = {}", 'relay = { rating = "70 A" }')
    car = PowerCar(tmp_path, supply, {**loads, "window": window})
    found = suggest(car.load())
    after = {".".join(change.place): change.after for change in found.changes}
    assert after["loads.window.fuse"] == "50 A"
    assert after["loads.window.electrical.fuse_type"] == "maxi"
    assert found.plan.broken == ()
    assert found.by_hand == ()
    assert '\n+electrical.fuse_type = "maxi"\n' in found.patch


@pytest.mark.parametrize("name", SOUND)
def test_a_sound_car_needs_no_other_sizes(tmp_path, name):
    found = suggest(sound_car(tmp_path, name).load())
    assert found.changes == ()
    assert found.patch == ""


def test_what_no_size_puts_right_is_left_to_change(tmp_path):
    car = sound_car(tmp_path).change('fuse = "30 A"', 'fuse = "20 A"')
    car.change('volts = "14.2 V"', 'volts = "12 V"')
    found = suggest(car.load())
    assert [change.after for change in found.changes] == ["30 A"]
    (left,) = found.plan.broken
    assert left.subject == "alternator"


def test_the_list_to_buy_has_every_fuse_and_every_metre(undersized):
    found = suggest(undersized.load())
    assert sum(number for *_, number in found.fuses) == 8
    assert ("blade", 15.0, 2) in found.fuses
    metres = sum(lead.length_m for lead in found.plan.leads)
    assert sum(length for *_, length in found.leads) == pytest.approx(metres)
    assert len(found.leads) == len({(size, colour) for size, colour, _ in found.leads})


def test_the_command_writes_a_patch_and_leaves_the_vehicle_file(undersized, monkeypatch, capsys):
    monkeypatch.chdir(undersized.folder)
    before = undersized.path.read_bytes()
    assert main(["plan", "vehicle.toml", "--suggest", "sizes.patch"]) == 1
    words = " ".join(capsys.readouterr().out.split())
    assert undersized.path.read_bytes() == before
    assert (undersized.folder / "sizes.patch").read_text().startswith("--- vehicle.toml\n")
    assert "loads.fan.fuse: 20 A -> 30 A" in words
    assert "nothing is changed before 'patch vehicle.toml sizes.patch'" in words
    assert "2 x blade fuse 15 A" in words
    assert "Left to change" not in words
