"""A route from one bus to the other, through a gateway that is right and through wrong ones."""

from __future__ import annotations

import pytest
from gateway_car import ROUTE, gateway_car

from linkloss.campaign.run import run
from linkloss.campaign.selection import case_named
from linkloss.judge import Outcome

QUIET = "idle/none"
LOST = "idle/unplug(ecu)@993ms+747ms"


@pytest.fixture
def judged(tmp_path):
    """What is said of the route in a case, with a part of the gateway's program changed."""

    def found(case: str, old: str = "", new: str = ""):
        car = gateway_car(tmp_path)
        car.change("[inputs.lights]", ROUTE)
        if old:
            car.change(old, new, "programs.py")
        scenario = case_named(car.load(), case, 0)
        assert scenario is not None, case
        verdicts = run(scenario).verdicts
        return {v.rule: v for v in verdicts if v.subject == "asked"}

    return found


@pytest.mark.parametrize(("case", "rule"), [(QUIET, "gateway"), (LOST, "gateway stale")])
def test_a_right_gateway_keeps_its_route(judged, case, rule):
    found = judged(case)
    assert found[rule].outcome is Outcome.KEPT
    assert not any(verdict.broken for verdict in found.values())


@pytest.mark.parametrize(
    ("case", "rule", "old", "new"),
    [
        (QUIET, "gateway", "self.count | self.on << 4", "self.count | (1 - self.on) << 4"),
        (QUIET, "gateway", "every(50 * MS, self.tell, first", "every(400 * MS, self.tell, first"),
        (LOST, "gateway stale", "self.board.now_ns() - self.heard_ns < 250 * MS", "True"),
    ],
    ids=["turned round", "too late", "repeats for ever"],
)
def test_a_wrong_gateway_is_named(judged, case, rule, old, new):
    found = judged(case, old, new)
    assert found[rule].broken
    assert found[rule].culprit == "gate"
