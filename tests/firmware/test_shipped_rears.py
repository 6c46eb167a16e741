"""Each rear node that is shipped does what the demo car's own does: the whole quick check of the
car with it breaks no rule, and puts every rule to the test.
"""

from __future__ import annotations

import importlib.util
import shutil
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from demo_cases import some_cases
from rear_cars import C_PINS, ROOT, SKETCH_PINS, wren_with_rear

from linkloss.campaign.check import check
from linkloss.judge import judge
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle

FIRMWARE, SCRIPT = ROOT / "nodes" / "firmware", ROOT / "nodes" / "linkloss_nodes" / "rear.py"
_SKETCH = f'c = ["{(FIRMWARE / "rear_sketch.ino").as_posix()}"]'
REARS = {
    "c": (f'c = ["{(FIRMWARE / "rear.c").as_posix()}"]', C_PINS),
    "sketch": (_SKETCH, SKETCH_PINS),
    "image": (f'{_SKETCH}\ntarget = "avr"\nboard = "mega"', SKETCH_PINS),
    "script": (f'script = "{SCRIPT.as_posix()}"', ""),
}


def shipped(kind: str, folder: Path) -> Path:
    """The file of Wren with a shipped program in the place of its rear node."""
    path = folder / "vehicle.toml"
    path.write_text(wren_with_rear(*REARS[kind]), encoding="utf-8")
    return path


def missing_packages() -> str:
    """What images lack here; empty if nothing."""
    needed = {
        "libsimavr-dev": Path("/usr/include/simavr/sim_avr.h").is_file(),
        "gcc-avr": shutil.which("avr-gcc"),
        "arduino-core-avr": Path("/usr/share/arduino/hardware/arduino/avr").is_dir(),
    }
    packages = ", ".join(package for package, there in needed.items() if not there)
    return f"not installed: {packages}" if packages else ""


KINDS = pytest.mark.parametrize("kind", ["c", "sketch", "script"])


@pytest.mark.slow
@pytest.mark.parametrize("kind", REARS)
def test_a_shipped_program_passes_the_whole_quick_check(tmp_path, kind):
    if kind == "image" and missing_packages():
        pytest.skip(missing_packages())
    if kind == "script" and importlib.util.find_spec("greenlet") is None:
        pytest.skip("greenlet is not installed")
    report = check(load_vehicle(shipped(kind, tmp_path)), depth="quick")
    assert [(each.verdict.subject, each.case.name) for each in report.findings] == []
    assert report.not_exercised == ()
    assert report.exit_code == 0
    assert len(report.cases) > 400


SEEN = ["none", "bus_off", "reset", "hang"]


@KINDS
@pytest.mark.parametrize("situation", ["braking", "night_drive"])
def test_a_shipped_program_keeps_its_rules_and_sends_its_life_sign_in_time_and_nothing_else(
    tmp_path, kind, situation
):
    """In some cases of the quick check, for each kind of fault at itself the first."""
    if kind == "script" and importlib.util.find_spec("greenlet") is None:
        pytest.skip("greenlet is not installed")
    vehicle = load_vehicle(shipped(kind, tmp_path))
    cases = {case.kinds: case for case in reversed(some_cases(SEEN, [situation], "rear"))}
    for planned in cases.values():
        scenario = replace(planned, vehicle=vehicle)
        recording = simulate(scenario)
        assert [str(each) for each in judge(vehicle, recording) if each.broken] == []
        starts = [c.at_ns for c in recording.nodes["rear"] if c.state == "running"]
        sent = [r for r in recording.frames if r.sender == "rear" and r.error is None]
        assert {record.frame.identifier for record in sent} == {0x202}
        for before, after in pairwise(sent):
            if any(before.end_ns < at_ns < after.end_ns for at_ns in starts):
                continue  # a new life
            changed = (before.frame.data[1] ^ after.frame.data[1]) & 0x70
            late = after.end_ns - before.end_ns
            assert late >= 90_000_000 or changed, (scenario.name, late)
            step = (after.frame.data[1] - before.frame.data[1]) & 0x0F
            assert step == 1 or scenario.kinds == "bus_off", (scenario.name, step)
