"""Gateways that go wrong are caught by the right rule, and right ones that differ by none."""

from __future__ import annotations

import pytest
from relay_car import RelayCar

from linkloss.campaign.diagnosis import diagnose
from linkloss.campaign.mechanism import Mechanism, suspect
from linkloss.campaign.run import run
from linkloss.judge.verdict import Cause
from linkloss.report.words import deed, rule_words
from linkloss.scenario import load_scenario

SOURCE = 'message = "EngineData"\n'
GATE = 'node = "gate"\n'
FAULTS = {
    "calm": "",
    "silent": 'fault = "unplug"\nnode = "ecu"\n',
    "altered": f'fault = "alter"\n{SOURCE}',
    "frozen": f'fault = "freeze"\n{SOURCE}',
    "late": f'fault = "delay"\n{SOURCE}by = "200 ms"\n',
    "lost": f'fault = "drop"\n{SOURCE}receiver = "gate"\n',
    "flood": 'fault = "flood"\nnode = "lamp"\n',
    "noise": 'fault = "noise"\nshare = 0.002\n',
    "short": 'fault = "short"\nbeside = "gate"\ncontact = "CAN_H-CAN_L"\n',
    "hung": f'fault = "hang"\n{GATE}',
    "alone": f'fault = "unplug"\n{GATE}',
}


class Bench:
    """The car, and one story: full throttle, a fault from 1.5 s to 2.7 s, half throttle."""

    def __init__(self, folder):
        self.car = RelayCar(folder)

    def run(self, *faults, reset=False, moves="3200 ms"):
        texts = [f'{FAULTS[name]}until = "2700 ms"\n' for name in faults if FAULTS[name]]
        steps = ["1 s", 'set = { throttle = "full" }\n'], *(["1500 ms", text] for text in texts)
        steps = [*steps, *([["2 s", f'fault = "reset"\n{GATE}']] if reset else [])]
        steps = [*steps, [moves, 'set = { throttle = "middle" }\n']]
        text = 'title = "Story"\nvehicle = "vehicle.toml"\nlasts = "4500 ms"\n'
        text += 'inputs = { throttle = "idle" }\n'
        text += "".join(f'\n[[steps]]\nat = "{at}"\n{step}' for at, step in steps)
        path = self.car.path.with_name("story.toml")
        path.write_text(text, encoding="utf-8")
        return run(load_scenario(path))


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path)


def broken(result):
    return {(v.subject, v.rule): v for v in result.verdicts if v.broken}


def outcome(result, rule):
    (verdict,) = [v for v in result.verdicts if (v.subject, v.rule) == ("engine", rule)]
    return verdict.outcome.value


RULE, STALE = ("engine", "gateway"), ("engine", "gateway stale")
WRONG = [
    ("Forever", "silent", STALE),
    ("Forever", "altered", STALE),
    ("Forever", "lost", STALE),
    ("Careless", "altered", STALE),
    ("Defaulting", "silent", STALE),
    ("Swapped", "calm", RULE),
    ("Scaled", "calm", RULE),
    ("Narrow", "calm", RULE),
    ("Geared", "calm", RULE),
    ("Slow", "calm", RULE),
    ("Hasty", "calm", RULE),
    ("Queueing", "short", RULE),
    ("Dropping", "calm", RULE),
    ("Uncounted", "calm", ("EngineView", "cycle")),
    ("Copying", "altered", ("EngineView", "cycle")),
    ("Flooding", "calm", ("EngineView", "cycle")),
    ("Echoing", "calm", ("gate", "foreign")),
    ("Undeclared", "calm", ("gate", "foreign")),
]


@pytest.mark.parametrize(("program", "fault", "rule"), WRONG)
def test_a_gateway_that_goes_wrong_is_caught(bench, program, fault, rule):
    bench.car.give(program)
    result = bench.run(fault)
    verdict = broken(result)[rule]
    assert suspect(result.scenario.vehicle, verdict) == "gate"
    assert broken(result).keys() - {
        RULE,
        STALE,
        ("shift_light", "rejoin"),
        ("shift_light", "stale"),
    } <= {rule}


def test_a_gateway_that_keeps_its_value_over_a_reset_is_caught(bench):
    bench.car.give("Keeping")
    result = bench.run("silent", reset=True)
    assert broken(result)[STALE].text == (
        "passed on 2999.7 as EngineView.Revs before any good EngineData; expected 6553.5; wrong"
        " for 300 ms"
    )
    assert broken(bench.run("silent")) == {}


@pytest.mark.parametrize("program", ["Gate", "Follower", "Trusting", "Patient", "Upward", "Eager"])
@pytest.mark.parametrize("fault", FAULTS)
def test_right_gateways_that_work_differently_are_called_broken_by_nothing(bench, program, fault):
    if program != "Gate":
        bench.car.give(program)
    result = bench.run(fault)
    assert broken(result) == {}
    assert outcome(result, "gateway") == "kept"


@pytest.mark.parametrize("fault", FAULTS)
def test_a_gateway_that_stops_with_its_source_is_right_where_the_route_says_so(bench, fault):
    bench.car.stops().give("Forwarding")
    result = bench.run(fault)
    assert broken(result) == {}
    assert outcome(result, "gateway") == "kept"
    if fault == "silent":
        assert outcome(result, "gateway stale") == "kept"


def test_a_gateway_that_goes_on_though_it_must_stop_is_caught(bench):
    bench.car.stops().give("Unstopped")
    assert broken(bench.run("silent"))[STALE].allowed == "no frame"
    assert broken(bench.run("calm")) == {}


def test_what_was_not_exercised_is_not_called_kept(bench):
    assert outcome(bench.run("calm"), "gateway stale") == "not exercised"
    assert outcome(bench.run("silent"), "gateway stale") == "kept"
    assert outcome(bench.run("short"), "gateway stale") == "not exercised"


def test_a_load_that_a_gateway_keeps_alive_is_broken_and_the_gateway_named(bench):
    """The light stays on at an engine speed of long ago. Its own node does what it is told."""
    bench.car.give("Forever")
    verdict = broken(bench.run("silent"))["shift_light", "stale"]
    assert verdict.culprit == "gate"
    assert verdict.deed == (
        "was on only because node gate repeated EngineView while EngineData was silent; right: off"
    )
    assert ("shift_light", "stale") not in broken(bench.run("calm"))


def test_a_load_that_a_message_which_must_stop_keeps_alive_is_broken(bench):
    bench.car.stops().give("Unstopped")
    assert broken(bench.run("silent"))["shift_light", "stale"].culprit == "gate"


def test_a_load_that_would_do_the_same_without_the_gateway_is_not_broken(bench):
    """What is repeated asks for what is right anyway: only the gateway's own rule is broken."""
    bench.car.give("Forever").change("EngineView.Revs > 1000 and ", "EngineView.Revs > 10 and ")
    bench.car.change("EngineView.Revs < 5000", "EngineView.Revs < 7000")
    found = broken(bench.run("silent"))
    assert STALE in found
    assert ("shift_light", "stale") not in found


def test_a_finding_says_what_the_gateway_did(bench):
    bench.car.give("Forever")
    result = bench.run("silent")
    vehicle, verdict = result.scenario.vehicle, broken(result)[STALE]
    assert deed(vehicle, verdict) == (
        "route engine passed on 2999.7 as EngineView.Revs, 449.6 ms after the last good"
        " EngineData; expected 6553.5"
    )
    assert rule_words(vehicle, *STALE) == "gateway stale (not available after 300 ms)"
    assert rule_words(vehicle, *RULE) == "gateway (EngineData to EngineView within 120 ms)"


@pytest.mark.parametrize(
    ("program", "fault", "rule", "mechanism", "message"),
    [
        ("Forever", "silent", STALE, Mechanism.SILENCE, "EngineData"),
        ("Forever", "silent", ("shift_light", "stale"), Mechanism.SILENCE, "EngineData"),
        ("Scaled", "calm", RULE, Mechanism.SENT_WRONG, "EngineView"),
        ("Undeclared", "calm", ("gate", "foreign"), Mechanism.SENT_WRONG, ""),
    ],
)
def test_the_cause_is_told_in_terms_of_the_gateway(bench, program, fault, rule, mechanism, message):
    bench.car.give(program)
    found = diagnose(bench.run(fault).scenario, *rule)
    assert (found.mechanism, found.node, found.message) == (mechanism, "gate", message)


def test_a_value_from_before_a_silence_is_a_repeated_one_though_new_ones_have_come(bench):
    """The source is back, and what is passed on is still from before: one mistake, one rule."""
    bench.car.give("Sluggish")
    result = bench.run("silent", moves="2 s")
    found = [v for (subject, _), v in broken(result).items() if subject == "engine"]
    assert [(v.rule, v.cause) for v in found] == [("gateway stale", Cause.PASSED_OLD)]


def test_a_default_is_what_the_route_says(bench):
    bench.car.change('on_stale = "not available"', 'on_stale = "default"')
    bench.car.change("when_stale = 6553.5", "when_stale = 0").give("Defaulting")
    result = bench.run("silent")
    assert broken(result) == {}
    assert outcome(result, "gateway stale") == "kept"
    bench.car.change("programs.py:Defaulting", "programs.py:Gate")
    assert broken(bench.run("silent"))[STALE].culprit == "gate"


def test_a_route_may_lead_from_one_signal_to_another(bench):
    text = bench.car.path.read_text(encoding="utf-8")
    table = text[text.index("[routes.engine.signals]") : text.index("[situations")]
    bench.car.change(table, "").change('from = "EngineData"', 'from = "EngineData.Speed"')
    bench.car.change('to = "EngineView"', 'to = "EngineView.Revs"\nscale = 0.25\nunit = "1/s"')
    bench.car.change("[routes.engine]", "[routes.engine]\nwhen_stale = 6553.5")
    assert broken(bench.run("silent")) == {}
    bench.car.give("Scaled")
    assert RULE in broken(bench.run("calm"))
