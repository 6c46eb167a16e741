"""A node on two buses: a controller on each, with error counters and faults of its own."""

from __future__ import annotations

import pytest
from gateway_car import gateway_car

from linkloss.campaign.run import run
from linkloss.faults.catalogue import catalogue
from linkloss.problem import BadInput
from linkloss.recording import read_recording, side
from linkloss.report.machine import run_json
from linkloss.scenario import load_scenario

MS = 1_000_000
ASKED = ("500 ms", 'set = { lights = "off", thermostat = "on" }\n')


@pytest.fixture
def car(tmp_path):
    return gateway_car(tmp_path)


@pytest.fixture
def story(car):
    """A run of the car, from its steps: ``(at, text)``."""

    def told(*steps: tuple[str, str], lasts: str = "3 s"):
        text = f'title = "Story"\nvehicle = "vehicle.toml"\nlasts = "{lasts}"\n'
        text += 'inputs = { lights = "off", thermostat = "off" }\n'
        for at, step in sorted(steps, key=lambda one: float(one[0].split()[0])):
            text += f'\n[[steps]]\nat = "{at}"\n{step}'
        path = car.path.with_name("story.toml")
        path.write_text(text, encoding="utf-8")
        return run(load_scenario(path))

    return told


def fault(kind: str, until: str | None, **told: str) -> str:
    lines = [f'fault = "{kind}"', *(f'{key} = "{value}"' for key, value in told.items())]
    return "\n".join([*lines, *([] if until is None else [f'until = "{until}"'])]) + "\n"


def passed_on(result, from_ms=0, to_ms=10_000):
    """The frames of the gateway that came through, by (instant, what they ask)."""
    return [
        (record.end_ns, record.frame.data[1] >> 4 & 1)
        for record in result.recording.frames
        if record.sender == "gate" and record.error is None
        if from_ms * MS <= record.start_ns < to_ms * MS
    ]


def broken(result):
    return {(v.subject, v.rule) for v in result.verdicts if v.outcome.value == "broken"}


def states(result, bus):
    return [change.state for change in result.recording.states("gate", bus)]


def test_a_gateway_hears_one_bus_and_sends_on_the_other(car, story):
    vehicle = car.load()
    assert vehicle.file.buses_of("gate") == ("body", "engine")
    assert vehicle.along == ("dash", "gate", "rear", "ecu", "cooler")
    assert ("gate", "body") in vehicle.sides
    assert ("rear", None) in vehicle.sides
    result = story(ASKED)
    assert broken(result) == set()
    said = passed_on(result)
    assert [on for _, on in said[-5:]] == [1] * 5
    assert {r.bus for r in result.recording.frames if r.sender == "gate"} == {"body"}
    heard = [r for r in result.recording.frames if r.sender == "ecu" and r.error is None]
    assert all(r.bus == "engine" and "gate" in r.receivers for r in heard if r.start_ns > 200 * MS)
    assert result.recording.foreign == []


def test_each_side_goes_bus_off_by_itself(story):
    body = story(ASKED, ("1000 ms", fault("bus_off", None, node="gate", bus="body")))
    assert "BUS_OFF" in states(body, "body")
    assert states(body, "engine") == []
    assert broken(body) == set()
    assert body.recording.struck == [["body"]]
    engine = story(ASKED, ("1000 ms", fault("bus_off", None, node="gate", bus="engine")))
    assert "BUS_OFF" in states(engine, "engine")
    assert states(engine, "body") == []
    assert passed_on(engine, 1000, 1200)  # the other side still sends


def test_one_side_pulled_leaves_the_other(story):
    engine = story(ASKED, ("1000 ms", fault("unplug", "2500 ms", node="gate", bus="engine")))
    assert broken(engine) == set()
    assert passed_on(engine, 1000, 1200)  # what it heard is still fresh
    assert not passed_on(engine, 1400, 2500)
    assert passed_on(engine, 2600)
    body = story(ASKED, ("1000 ms", fault("unplug", "2500 ms", node="gate", bus="body")))
    heard = [r for r in body.recording.frames if r.sender == "ecu" and r.start_ns > 1000 * MS]
    assert heard
    assert all("gate" in r.receivers for r in heard)
    assert not passed_on(body, 1001, 2500)


def test_one_side_at_the_wrong_bit_rate_and_mute(story):
    wrong = fault("wrong_bit_rate", "2 s", node="gate", bus="engine", bit_rate="250 kbit/s")
    result = story(ASKED, ("1000 ms", wrong))
    assert not passed_on(result, 1400, 2000)
    assert all(r.error is None for r in result.recording.frames if r.bus == "body")
    mute = story(ASKED, ("1000 ms", fault("mute", "2 s", node="gate", bus="engine")))
    assert passed_on(mute) == passed_on(story(ASKED))  # it sends nothing there anyway
    mute = story(ASKED, ("1000 ms", fault("mute", "2 s", node="gate", bus="body")))
    assert not passed_on(mute, 1000, 2000)


def test_a_reset_strikes_both_sides_while_one_is_silent(story):
    silent = ("1000 ms", fault("unplug", "2500 ms", node="ecu"))
    result = story(ASKED, silent, ("1200 ms", fault("reset", None, node="gate")))
    assert result.recording.struck == [["engine"], ["body", "engine"]]
    assert not passed_on(result, 1200, 2500)  # after the reset nothing is known
    assert passed_on(result, 2700)
    assert broken(result) == set()


def test_a_side_that_never_comes_back_is_broken(car, story):
    car.change("programs.py:Gate", "programs.py:OneSided")
    step = ("1000 ms", fault("bus_off", None, node="gate", bus="body"))
    car.change('buses = ["engine", "body"]', 'buses = ["engine", "body"]\nstatus = "PassedOn"')
    assert ("gate", "rejoin") in broken(story(step, lasts="4 s"))


def test_a_check_tries_each_side_by_itself(car):
    vehicle = car.load()
    for kind in ("bus_off", "mute", "unplug", "wrong_bit_rate", "held_bus_off", "swapped"):
        tried = [one for one in catalogue()[kind].every(vehicle) if "gate" in one.nodes()]
        assert [one.strikes(vehicle) for one in tried] == [("body",), ("engine",)], kind
        assert all(
            dict(one)["bus"] is None for one in catalogue()[kind].every(vehicle) if one not in tried
        )
    for kind in ("reset", "hang"):
        (tried,) = [one for one in catalogue()[kind].every(vehicle) if "gate" in one.nodes()]
        assert tried.strikes(vehicle) == ("body", "engine")
    for kind in ("short", "flood", "stuck_dominant"):
        made = [*catalogue()[kind].every(vehicle)]
        assert all(one.problem(vehicle) == "" for one in made)
        assert {one.strikes(vehicle) for one in made} == {("body",), ("engine",)}, kind


def test_a_fault_of_one_controller_names_the_bus(story):
    with pytest.raises(BadInput, match="node 'gate' is on 2 buses; expected 'bus': body or engine"):
        story(("1000 ms", fault("bus_off", None, node="gate")))
    with pytest.raises(BadInput, match="unknown bus 'bodi'"):
        story(("1000 ms", fault("unplug", "2 s", node="gate", bus="bodi")))
    with pytest.raises(BadInput, match="node 'ecu' is on bus 'engine'"):
        story(("1000 ms", fault("mute", "2 s", node="ecu", bus="body")))


def test_a_recording_of_a_gateway_is_read_back(story, tmp_path):
    result = story(ASKED, ("1000 ms", fault("bus_off", None, node="gate", bus="body")))
    path = tmp_path / "run.json"
    parts = (part if isinstance(part, bytes) else part.encode() for part in run_json(result))
    path.write_bytes(b"".join(parts))
    back, _ = read_recording(path)
    assert back.frames == result.recording.frames
    assert back.controllers[side("gate", "body")] == result.recording.states("gate", "body")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('buses = ["engine", "body"]', 'buses = ["engine", "bodi"]',
         "nodes.gate.buses: unknown bus 'bodi'"),
        ('buses = ["engine", "body"]\n', "",
         "bus.engine.cable: node 'gate' is on bus 'body' already; expected one bus, or both in"),
        ('buses = ["engine", "body"]', 'buses = ["engine"]',
         "nodes.gate.buses: names one bus, which its cable says already"),
        ('"cooler", "gate"]', '"cooler"]',
         "bus.engine.cable: node 'gate' stands 0 times in the cable; expected once"),
        ('[nodes.gate]\npython = "programs.py:Gate"', "[nodes.gate]\nlogged = true",
         "nodes.gate.buses: a node of a log takes one bus so far; expected 'python'"),
        ('[nodes.gate]\npython = "programs.py:Gate"', '[nodes.gate]\nscript = "programs.py"',
         "nodes.gate.buses: a program of 'script' takes one bus so far; expected 'python'"),
    ],
)  # fmt: skip
def test_what_does_not_fit_a_gateway_is_told_where_it_stands(car, old, new, told):
    problems = [each.replace('"', "") for each in car.change(old, new).problems()]
    assert any(each.startswith(told) for each in problems), problems


def test_a_cut_beside_a_gateway_parts_its_own_cable(story):
    cut = 'fault = "cut"\nbetween = ["cooler", "gate"]\nuntil = "2500 ms"\n'
    result = story(ASKED, ("1000 ms", cut))
    assert result.recording.struck == [["engine"]]
    assert not passed_on(result, 1400, 2500)
    assert passed_on(result, 2700)
    assert broken(result) == set()
