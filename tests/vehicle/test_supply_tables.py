"""Mistakes in what a vehicle file says of failed loads and of what must come back."""

from __future__ import annotations

from pathlib import Path

import pytest

from linkloss.faults.catalogue import FaultError, make_fault
from linkloss.problem import BadInput
from linkloss.vehicle.loading import load_vehicle

CAR = Path(__file__).parents[1] / "session" / "supply" / "vehicle.toml"


def written(tmp_path, text):
    """The small car on a battery, with more text behind it."""
    folder = CAR.parent
    source = CAR.read_text(encoding="utf-8") + text
    source = source.replace("../../faults", (folder.parents[1] / "faults").as_posix())
    source = source.replace("supply_nodes.py", (folder / "supply_nodes.py").as_posix())
    path = tmp_path / "vehicle.toml"
    path.write_text(source, encoding="utf-8")
    return path


NOTICE = """
[notices.told]
failed = ["{load}"]
signal = "DashStatus.Counter"
within = "1 s"
"""


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (NOTICE.format(load="lamb"), r"unknown load 'lamb'.*did you mean 'lamp'"),
        (
            NOTICE.format(load="plain") + '[loads.plain]\nnode = "rear"\nlocal = "lights == on"\n',
            "load 'plain' has no electrical data: nothing in it can fail",
        ),
        (
            NOTICE.format(load="lamp") + 'lost = "rear"\n',
            r"expected one of 'lost' \(a node\), 'stuck' \(input\), 'failed' \(loads\)",
        ),
    ],
)
def test_a_mistake_in_a_notice_is_told(tmp_path, text, expected):
    with pytest.raises(BadInput, match=expected):
        load_vehicle(written(tmp_path, text))


@pytest.fixture(scope="module")
def car():
    return load_vehicle(CAR)


@pytest.mark.parametrize(
    ("kind", "parameters", "expected"),
    [
        ("brown_out", {}, "expected one of 'profile'"),
        ("brown_out", {"profile": "starting_1", "node": "rear"}, "expected one of 'profile'"),
        ("brown_out", {"node": "reer"}, r"unknown node 'reer'.*did you mean 'rear'"),
        ("brown_out", {"node": "dash"}, "node 'dash' has no feed"),
        ("brown_out", {"profile": "starting_5"}, "starting_1"),
        ("ground_lost", {"node": "dash"}, "node 'dash' has no ground lead"),
        ("fuse_blown", {"load": "lamb"}, r"unknown load 'lamb'.*did you mean 'lamp'"),
        ("relay_welded", {"load": "lamp"}, "load 'lamp' is not switched by a relay"),
        ("alternator_surge", {"profile": "starting_1"}, "over_voltage"),
    ],
)
def test_an_electrical_fault_that_does_not_fit_is_refused(car, kind, parameters, expected):
    with pytest.raises(FaultError, match=expected):
        make_fault(kind, parameters, car)


def test_on_an_ideal_supply_no_electrical_fault_fits():
    ideal = load_vehicle(Path(__file__).parents[1] / "faults" / "small" / "vehicle.toml")
    for kind, parameters in (
        ("brown_out", {"profile": "starting_1"}),
        ("battery_off", {}),
        ("alternator_surge", {}),
    ):
        with pytest.raises(FaultError, match="no table 'supply'"):
            make_fault(kind, parameters, ideal)
    with pytest.raises(FaultError, match="no table 'electrical'"):
        make_fault("load_short", {"load": "headlamp"}, ideal)
