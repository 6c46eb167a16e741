"""Nodes that are right in their own way pass: a bench that cries wolf is soon ignored.

``PYTHONPATH=tests/wrong/nodes python tests/wrong/test_right_nodes.py`` runs the whole check with
each of them, which takes minutes; with names behind it, only with those.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import pytest
import right_nodes as right
from base_dash import HomeDash
from base_engine import HomeEngine
from base_power import HomeFront, HomeRear
from demo_cases import narrow
from wrong_cars import car

from linkloss.campaign.check import check
from linkloss.judge import Outcome
from linkloss_nodes import MS

LINK = ["none", "unplug", "reset", "bus_off", "hang"]
FIFO = {"mailboxes": 2, "mailbox_order": "fifo"}

RIGHT = [
    ("rear", HomeRear, {}, ["none", "freeze", "unplug+reset"], ["parked"]),
    ("front", HomeFront, {}, ["none", "alter", "unplug+reset"], ["night_drive"]),
    ("engine", HomeEngine, {}, ["none", "unplug", "impostor"], ["cranking"]),
    ("dash", HomeDash, {}, ["none", "hang", "bounce", "bus_off"], ["lane_change"]),
    ("rear", right.PatientRear, {}, ["none", "unplug", "freeze"], ["braking"]),
    ("rear", right.LeisurelyRear, {}, LINK, ["braking"]),
    ("rear", right.EventRear, {}, ["none", "reset", "hang"], ["hazards_ignition_off"]),
    ("dash", right.TwoMailboxDash, FIFO, ["none", "unplug", "flood"], ["reversing"]),
    ("dash", right.LeisurelyDash, {}, ["none", "unplug", "hang", "corrupt"], ["rain"]),
    ("rear", right.TalkativeRear, {"also_sends": ("0x7E8",)}, LINK, ["braking"]),
    ("rear", right.HastyRear, {}, ["none", "bus_off", "corrupt"], ["idle"]),
    ("engine", right.SteadyEngine, {}, ["none", "reset", "unplug"], ["overheating"]),
    ("front", right.CoroutineFront, {}, ["none", "reset", "hang"], ["rain"]),
]
DECLARED = {"PatientRear": {"confirm": 3}}
"""What the car declares beside, where a node needs more than the usual."""
SETTLES = {"engine_speed": 100 * MS, "coolant_temperature": 100 * MS}
"""How long the sensors of this car may take to be shown: long enough for a filter."""
IDS = [entry[1].__name__ for entry in RIGHT]


def told(report):
    """What is broken, in words that help whoever looks for the reason."""
    return [
        (finding.verdict.subject, finding.verdict.rule, finding.case.name, finding.verdict.text)
        for finding in report.findings
    ]


def settled(vehicle):
    """The car, with sensors whose signals may lag behind them."""
    inputs = {
        name: table.model_copy(update={"settles": SETTLES.get(name, table.settles)})
        for name, table in vehicle.inputs.items()
    }
    return replace(vehicle, file=vehicle.file.model_copy(update={"inputs": inputs}))


EVERY = [pytest.param(4, id="some"), pytest.param(1, id="all", marks=pytest.mark.slow)]


@pytest.mark.parametrize("every", EVERY)
@pytest.mark.parametrize("node, program, hardware, kinds, situations", RIGHT, ids=IDS)
def test_a_right_node_is_not_called_wrong(node, program, hardware, kinds, situations, every):
    vehicle = settled(car({node: program}, hardware, DECLARED.get(program.__name__)))
    report = narrow(vehicle, kinds, situations, every=every)
    assert told(report) == []
    own = {name for name, load in vehicle.loads.items() if load.node == node}
    own |= {name for name in vehicle.requests if vehicle.sender(name.partition(".")[0]) == node}
    kept = {
        verdict.subject
        for case in report.cases
        for verdict in case.verdicts
        if verdict.outcome is Outcome.KEPT
    }
    assert own & kept


def test_a_dash_that_waits_before_it_comes_back_is_quiet_while_its_frames_are_spoilt():
    vehicle = settled(car({"dash": HomeDash}))
    report = narrow(vehicle, ["corrupt"], ["hazards_ignition_off"], "LampRequest")
    assert told(report) == []
    kept = {(v.subject, v.rule) for case in report.cases for v in case.verdicts}
    assert ("dash", "quiet recovery") in kept


def whole_checks(names):
    """Every case of the check with each right node; says what broke."""
    for node, program, hardware, _, _ in RIGHT:
        if names and program.__name__ not in names:
            continue
        made = car({node: program}, hardware, DECLARED.get(program.__name__))
        report = check(settled(made))
        print(f"{program.__name__} as {node}: exit code {report.exit_code}", flush=True)
        for line in told(report):
            print("   ", *line, flush=True)


if __name__ == "__main__":
    whole_checks(sys.argv[1:])
