"""Whether equal failed attempts are kept as one entry or one by one, the judge says the same."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import pytest

from linkloss.bus.record_list import Block
from linkloss.campaign.run import judged
from linkloss.faults.catalogue import make_fault
from linkloss.recording import recording_fields, recording_form
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session import simulate
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.loading import load_vehicle

MS = 1_000_000
CASES = {
    "one node alone": [("cut", 900, 3000, {"between": ["gauge", "rear"]})],
    "two halves": [("cut", 900, None, {"between": ["engine", "dash"]})],
    "plug": [("unplug", 700, 1800, {"node": "dash"}), ("unplug", 2500, None, {"node": "front"})],
    "off the bus": [("bus_off", 1200, None, {"node": "front"})],
    "bit rate": [("wrong_bit_rate", 800, 2600, {"node": "engine", "bit_rate": "125 kbit/s"})],
    "short": [("short", 1000, 1400, {"beside": "dash", "contact": "CAN_H-CAN_L"})],
}


@cache
def wren():
    return load_vehicle(demo_vehicle())


def scenario(faults):
    return Scenario(
        name="case",
        title="",
        vehicle=wren(),
        situation="",
        inputs={},
        actions=(TimedAction(400 * MS, {"ignition": "on", "lights": "position", "hazard": "on"}),),
        faults=tuple(
            TimedFault(make_fault(kind, parameters, wren()), at * MS, until and until * MS)
            for kind, at, until, parameters in faults
        ),
        lasts_ns=4000 * MS,
        seed=3,
    )


@pytest.mark.parametrize("name", CASES)
def test_verdicts_and_json_are_the_same(name, monkeypatch):
    case = scenario(CASES[name])
    compact = simulate(case)
    with monkeypatch.context() as patched:
        patched.setattr(Block, "_continues", lambda *_: False)
        plain = simulate(case)
        assert plain.frames.entries == len(plain.frames)
        expected = judged(case, plain).verdicts
        written = json.dumps(recording_fields(plain))
    if name in ("one node alone", "plug"):
        assert compact.frames.entries < len(compact.frames) / 3
    assert list(compact.frames) == list(plain.frames)
    assert judged(case, compact).verdicts == expected
    assert json.dumps(recording_fields(compact)) == written
    assert recording_form().validate_json(written, strict=True).frames == compact.frames


def test_a_node_that_breaks_its_rule_in_a_cut_is_called_broken_either_way(monkeypatch):
    """The rear node keeps its tail lamps lit without a link; here they must go out."""
    case = scenario(CASES["one node alone"])
    tail = case.vehicle.loads["tail_left"].model_copy(update={"on_stale": "off"})
    file = case.vehicle.file.model_copy(
        update={"loads": {**case.vehicle.file.loads, "tail_left": tail}}
    )
    case = replace(case, vehicle=replace(case.vehicle, file=file))
    found = [v for v in judged(case, simulate(case)).verdicts if v.broken]
    monkeypatch.setattr(Block, "_continues", lambda *_: False)
    assert [v for v in judged(case, simulate(case)).verdicts if v.broken] == found
    assert [(v.subject, v.rule) for v in found] == [("tail_left", "stale")]
