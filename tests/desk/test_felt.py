"""A real node judged by what an I/O board feels: a node that is right in a simulated run is never
called broken, however its frames, inputs and edges are dated within their spans; one that does
something else is.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from felt_lab import CASES, LOADS, MS, dated, outcomes, roomy_wren

from linkloss.campaign.selection import case_named
from linkloss.judge import Outcome
from linkloss.judge.felt import judge_felt
from linkloss.recording import Series
from linkloss.session import simulate


@pytest.fixture(scope="module")
def runs():
    """Runs of a car whose limits are 100 ms, with a rear node that is right."""
    vehicle = roomy_wren()
    return vehicle, {name: simulate(case_named(vehicle, name)) for name in CASES}


@pytest.mark.parametrize("name", CASES)
def test_a_right_node_is_never_broken_wherever_in_its_span_an_instant_is(runs, name):
    for seed, width_ns in enumerate((0, MS, 5 * MS, 10 * MS)):
        verdicts = judge_felt(*dated(runs, name, seed, width_ns))
        broken = [v for v in verdicts if v.subject in LOADS and v.broken]
        assert [(v.subject, v.rule, v.at_ns, v.text) for v in broken] == []


def test_what_was_exercised_is_kept_and_what_is_finer_than_the_line_is_not(runs):
    name = CASES[0]
    close = outcomes(judge_felt(*dated(runs, name, 1, MS)))
    assert close["accessory_socket", "stale"] is Outcome.KEPT
    assert close["tail_left", "fresh"] is Outcome.KEPT
    wide = judge_felt(*dated(runs, name, 1, 12 * MS))  # 24 ms in all: of 350 ms, and of 100 ms
    assert outcomes(wide)["accessory_socket", "stale"] is Outcome.KEPT
    fresh = next(v for v in wide if (v.subject, v.rule) == ("tail_left", "fresh"))
    assert fresh.outcome is Outcome.NOT_EXERCISED
    assert "more than a tenth of the limit, 100 ms" in fresh.text


def test_a_load_that_stays_on_in_a_lost_link_is_broken(runs):
    vehicle, recording, outside, desk = dated(runs, CASES[0], 1, MS)
    on = Series()
    on.set(0, 0.0)
    on.set(400 * MS, 1.0)
    desk.felt["accessory_socket"] = on
    found = outcomes(judge_felt(vehicle, recording, outside, desk))
    assert found["accessory_socket", "stale"] is Outcome.BROKEN


def test_a_pulse_that_nothing_asks_for_is_broken(runs):
    vehicle, recording, outside, desk = dated(runs, CASES[2], 1, MS)
    pulse = desk.felt["reverse_lamps"]
    pulse.set(1_900 * MS, 1.0)
    pulse.set(1_905 * MS, 0.0)
    found = judge_felt(vehicle, recording, outside, desk)
    assert [v for v in found if v.subject == "reverse_lamps" and v.broken]


def test_a_follower_that_is_later_than_its_limit_and_its_span_is_broken_and_one_within_is_not(runs):
    vehicle, recording, outside, desk = dated(runs, CASES[2], 1, 0)
    pedal = desk.seen["brake_pedal"].changes()
    for late_ms, outcome in ((95, Outcome.KEPT), (130, Outcome.BROKEN)):
        lamps = Series()
        for at_ns, value in pedal:
            lamps.set(at_ns + late_ms * MS if at_ns else 0, float(value == "pressed"))
        desk.felt["brake_lamps"] = lamps
        found = outcomes(judge_felt(vehicle, recording, outside, desk))
        assert found["brake_lamps", "local"] is outcome


def test_a_doubt_judges_nothing(runs):
    vehicle, recording, outside, desk = dated(runs, CASES[0], 1, MS)
    desk.doubt = "because lines of the I/O board were lost"
    found = [v for v in judge_felt(vehicle, recording, outside, desk) if v.subject in LOADS]
    assert found
    assert {v.outcome for v in found} == {Outcome.NOT_EXERCISED}
    assert {v.text for v in found} == {desk.doubt}


def test_a_reset_that_was_shorter_than_the_line_tells_judges_nothing(runs):
    vehicle, recording, outside, desk = dated(runs, CASES[3], 1, 5 * MS)
    desk.downs[-1] = replace(desk.downs[-1], to_ns=desk.downs[-1].from_ns + 4 * MS)
    found = judge_felt(vehicle, recording, outside, desk)
    why = {v.text for v in found if v.subject in LOADS}
    assert why == {"because the node was held in reset for less than the line tells"}


def test_a_load_that_nobody_feels_and_one_that_is_dimmed_say_so(runs):
    found = judge_felt(*dated(runs, CASES[0], 1, MS, loads=("tail_left", "interior_lamp")))
    why = {(v.subject, v.rule): v.text for v in found}
    assert why["tail_right", "stale"] == "because no line of the I/O board feels the load"
    assert "it is dimmed" in why["interior_lamp", "stale"]
