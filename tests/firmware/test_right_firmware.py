"""Rear nodes in C and C++ that are right in another way pass: none is called wrong.

``PYTHONPATH=tests/firmware python tests/firmware/test_right_firmware.py`` runs the whole check
with each of them, which takes minutes; with names behind it, only with those.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import pytest
from c_cars import REAR_C, c_car
from demo_cases import narrow
from rear_cars import ROOT
from wrong_variants import DELAY, ROLL_OVER, START_DOG

from linkloss.campaign.check import check
from linkloss.judge import Outcome

OBJECTS = ROOT / "tests" / "firmware" / "right" / "rear_objects.cpp"
TIMER = (
    (DELAY, "    board_wait_for_interrupt();\n"),
    (START_DOG, START_DOG + "    board_on_timer(4000, tick);\n"),
    ("void setup(void)\n", "static void tick(void)\n{\n}\n\nvoid setup(void)\n"),
)
RIGHT = {
    "polls_without_a_pause": (((DELAY, ""),), "", ["none", "unplug"], ["braking"]),
    "driven_by_a_timer": (TIMER, "", ["none", "hang", "bus_off"], ["braking"]),
    "rolls_over": ((), ROLL_OVER, ["none", "unplug", "freeze"], ["hazards_ignition_off"]),
    "objects": (None, "", ["none", "unplug+reset", "hang"], ["turning"]),
}
"""Name -> what is written otherwise, more tables, and the cases: kinds of faults, situations."""


def car_of(name, folder):
    changes, tables, _, _ = RIGHT[name]
    if changes is None:
        return c_car(folder, OBJECTS, 'std = "c++17"', tables)
    text = REAR_C.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = folder / f"{name}.c"
    path.write_text(text, encoding="utf-8")
    return c_car(folder, path, "", tables)


def told(report):
    return [
        (finding.verdict.subject, finding.verdict.rule, finding.case.name, finding.verdict.text)
        for finding in report.findings
    ]


EVERY = [pytest.param(4, id="some"), pytest.param(1, id="all", marks=pytest.mark.slow)]


@pytest.mark.parametrize("every", EVERY)
@pytest.mark.parametrize("name", RIGHT)
def test_a_right_node_is_not_called_wrong(tmp_path, name, every):
    vehicle = car_of(name, tmp_path)
    _, _, kinds, situations = RIGHT[name]
    report = narrow(vehicle, kinds, situations, every=every)
    assert told(report) == []
    kept = {v.subject for case in report.cases for v in case.verdicts if v.outcome is Outcome.KEPT}
    assert kept & {key for key, load in vehicle.loads.items() if load.node == "rear"}


def whole_checks(names):
    """Every case of the check with each right node; says what broke."""
    for name in names or RIGHT:
        with tempfile.TemporaryDirectory() as folder:
            report = check(car_of(name, Path(folder)))
        print(f"{name}: exit code {report.exit_code}", flush=True)
        for line in told(report):
            print("   ", *line, flush=True)


if __name__ == "__main__":
    whole_checks(sys.argv[1:])
