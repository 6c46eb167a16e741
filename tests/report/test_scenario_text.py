"""A scenario written as a file is read back to the same scenario."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linkloss.faults.catalogue import catalogue, make_fault
from linkloss.report.findings import scenario_toml
from linkloss.scenario import Scenario, TimedAction, TimedFault, load_scenario
from linkloss.vehicle.loading import load_vehicle

MS = 1_000_000
ROOT = Path(__file__).parents[2]
WREN = ROOT / "scenarios" / "wren" / "vehicle.toml"
TINY = Path(__file__).parent / "tiny" / "vehicle.toml"


@cache
def vehicle(path):
    return load_vehicle(path)


def scenario(path=WREN, *, inputs=None, actions=(), faults=(), lasts_ns=5_000 * MS, seed=0):
    return Scenario("x", "", vehicle(path), "", inputs or {}, actions, faults, lasts_ns, seed)


def read_back(folder, written, *, title="A title", about=""):
    text = scenario_toml(written, vehicle=written.vehicle.path.as_posix(), title=title, about=about)
    file = folder / "story.toml"
    file.write_text(text, encoding="utf-8")
    return load_scenario(file)


def same(one, other):
    return all(
        getattr(one, name) == getattr(other, name)
        for name in ("inputs", "actions", "faults", "lasts_ns", "seed", "expectations")
    )


def variants():
    """Every fault of the demo car, and some with every parameter away from its default."""
    car = vehicle(WREN)
    yield from (fault for form in catalogue().values() for fault in form.every(car))
    yield make_fault("reset", {"node": "rear", "period": "450 ms", "times": 3}, car)
    drop = {"message": "LampRequest", "receiver": "rear", "count": 4, "share": 0.125}
    yield make_fault("drop", drop, car)
    yield make_fault("corrupt", {"message": "LampRequest", "count": 2, "share": 1e-07}, car)
    yield make_fault("delay", {"message": "LampRequest", "by": "1234567 ns"}, car)
    yield make_fault("flood", {"node": "rear", "identifier": 1, "share": 0.5}, car)
    yield make_fault("bounce", {"input": "lights", "settles_in": "12 ms"}, car)
    yield make_fault("stuck", {"input": "lights", "node": "dash", "value": "dipped"}, car)
    yield make_fault("stuck", {"input": "engine_speed", "value": 1234.5}, car)
    yield make_fault("brown_out", {"sags_to": "5.25 V"}, car)
    yield make_fault("held_bus_off", {"node": "rear", "rec": 99}, car)
    yield make_fault("alternator_surge", {"profile": "jump_start"}, car)


def test_every_fault_with_all_its_parameters_is_read_back(tmp_path):
    faults = tuple(
        TimedFault(fault, (100 + number) * MS, (200 + number) * MS if fault.lasting else None)
        for number, fault in enumerate(variants())
    )
    assert {timed.fault.kind for timed in faults} == set(catalogue())
    written = scenario(faults=faults)
    assert same(read_back(tmp_path, written), written)


def test_every_parameter_of_the_catalogue_is_among_the_variants():
    told = {(fault.kind, name) for fault in variants() for name in fault.written()}
    known = {(kind, name) for kind, form in catalogue().items() for name in form.model_fields}
    # 'bus' is for a vehicle with several: tests/buses/test_gateway_node.py tells its faults by it.
    assert {(kind, name) for kind, name in known - told if name != "bus"} == {
        ("open", "node"),  # as that of 'stuck'
        ("cut", "conductor"),  # of_wiring() has them
        ("unplug", "conductor"),
    }


def test_a_parameter_at_its_default_is_not_written():
    assert make_fault("delay", {"message": "LampRequest"}, vehicle(WREN)).written() == {
        "message": "LampRequest"
    }


times = st.integers(0, 4_999 * MS) | st.integers(0, 4_999).map(lambda ms: ms * MS)
values = st.fixed_dictionaries(
    {}, optional={"lights": st.sampled_from(["off", "on"]), "speed": st.floats(0, 100)}
)


@st.composite
def stories(draw):
    car = vehicle(TINY)
    known = [fault for form in catalogue().values() for fault in form.every(car)]
    inputs = {name: value for name, value in draw(values).items() if name in car.inputs}
    actions = [
        TimedAction(draw(times), {"lights": draw(st.sampled_from(["off", "on"]))})
        for _ in range(draw(st.integers(0, 3)))
    ]
    faults = []
    for fault in draw(st.lists(st.sampled_from(known), max_size=4)):
        at_ns = draw(times)
        after = draw(st.none() | st.integers(1, 3_000 * MS)) if fault.lasting else None
        faults.append(TimedFault(fault, at_ns, None if after is None else at_ns + after))
    return scenario(
        TINY,
        inputs=inputs,
        actions=tuple(sorted(actions, key=lambda step: step.at_ns)),
        faults=tuple(sorted(faults, key=lambda step: step.at_ns)),
        lasts_ns=draw(st.integers(5_000 * MS, 9_000 * MS)),
        seed=draw(st.integers(0, 2**40)),
    )


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(stories())
def test_any_story_is_read_back(tmp_path, written):
    assert same(read_back(tmp_path, written), written)


@pytest.mark.parametrize(
    "text", ['"""', "back\\slash", "tab\tand\x7f\x00", "ümläut ✓", "two\nlines", "a # b", "\r\n"]
)
def test_titles_and_remarks_hold_any_text(tmp_path, text):
    written = scenario(TINY)
    assert read_back(tmp_path, written, title=text).title == text
    file = scenario_toml(written, vehicle="v.toml", title="t", about=text)
    assert tomllib.loads(file)["about"] == f"{text}\n"


def test_a_file_is_readable():
    car = vehicle(WREN)
    unplug = make_fault("unplug", {"node": "rear"}, car)
    reset = make_fault("reset", {"node": "rear"}, car)
    written = scenario(
        inputs={"ignition": "on", "engine_speed": 2000.0},
        actions=(TimedAction(1_500 * MS, {"lights": "position"}),),
        faults=(
            TimedFault(unplug, 1_000 * MS, 2_500 * MS),
            TimedFault(reset, 1_750 * MS, None),
        ),
        seed=3,
    )
    text = scenario_toml(written, vehicle="../vehicle.toml", title="Dark", about="A\nB")
    assert text == (
        'title = "Dark"\n'
        'about = """\nA\nB\n"""\n'
        'vehicle = "../vehicle.toml"\n'
        'inputs = { ignition = "on", engine_speed = 2000 }\n'
        'lasts = "5 s"\n'
        "seed = 3\n"
        "\n[[steps]]\n"
        'at = "1 s"              # the CAN plug of rear was pulled\n'
        'fault = "unplug"\nnode = "rear"\nlasts = "1500 ms"\n'
        "\n[[steps]]\n"
        'at = "1500 ms"\nset = { lights = "position" }\n'
        "\n[[steps]]\n"
        'at = "1750 ms"          # rear was reset\n'
        'fault = "reset"\nnode = "rear"\n'
    )
