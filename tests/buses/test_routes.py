"""What a vehicle file says of routes, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from relay_car import RelayCar

from linkloss.vehicle.routes import passed


@pytest.fixture
def car(tmp_path):
    return RelayCar(tmp_path)


@pytest.fixture(scope="module")
def car_signal(tmp_path_factory):
    """The route's first signal with another tolerance, into a signal of another step."""
    vehicle = RelayCar(tmp_path_factory.mktemp("route")).load()
    speed = passed(vehicle.routes["engine"], vehicle.messages)[0]

    def made(tolerance: float | None, step: float):
        way = speed.way.model_copy(update={"tolerance": tolerance})
        return replace(speed, way=way, target=replace(speed.target, scale=step, offset=0.0))

    return made


def test_a_route_says_what_becomes_of_each_value(car):
    vehicle = car.load()
    speed, gear = passed(vehicle.routes["engine"], vehicle.messages)
    assert (speed.source.name, speed.target.name, gear.target.name) == ("Speed", "Revs", "Gear")
    assert (speed.value(1_000), speed.value(801)) == (250.0, 200.25)
    assert speed.stale == 6553.5
    assert (gear.value(1.0), gear.value(2.0), gear.value(3.0)) == (5.0, 6.0, None)
    assert gear.stale == 7.0


QUARTERS = st.integers(0, 60).map(lambda number: number / 4)


@given(QUARTERS, QUARTERS, st.sampled_from([None, 0.0, 0.5, 2.0]), st.sampled_from([1.0, 0.5]))
def test_values_are_apart_where_no_value_is_right_for_both(car_signal, one, other, tolerance, step):
    signal = car_signal(tolerance, step)
    grid = [number * step for number in range(-4, 80)]
    both = [value for value in grid if signal.near(value, one) and signal.near(value, other)]
    assert signal.apart(one, other) is (not both)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('from = "EngineData"', 'from = "EngineDat"',
         "routes.engine.from: unknown message 'EngineDat'"),
        ('to = "EngineView"', 'to = "EngineView.Revs"',
         "routes.engine: expected two messages or two signals as 'from' and 'to'"),
        ("Revs = {", "Refs = {",
         "routes.engine.signals.Refs: unknown signal of message 'EngineView' 'Refs'"),
        ('from = "Speed"', 'from = "Sped"', "routes.engine.signals.Revs.from: unknown signal"),
        ('to = "EngineView"', 'to = "LampStatus"',
         "routes.engine.signals.Revs: unknown signal of message 'LampStatus' 'Revs'"),
        ('unit = "1/s"', 'unit = "1/min"', "routes.engine.signals.Revs.unit: got '1/min'"),
        ('unit = "1/s", ', "", "routes.engine.signals.Revs.unit: 'Speed' is in 'rpm', 'Revs' in"),
        ("when_stale = 6553.5", "when_stale = 9000",
         "routes.engine.signals.Revs.when_stale: 9000 does not fit into 'Revs'"),
        ("when_stale = 6553.5", "when_stale = 800",
         "routes.engine.signals.Revs.when_stale: 800 may also come from 'Speed'"),
        (", when_stale = 6553.5", "",
         "routes.engine.signals.Revs.when_stale: 'on_stale' is 'not available'; expected"),
        ("scale = 0.25", "scale = 10",
         "routes.engine.signals.Revs: 'Speed' can become 131070, and 'Revs' holds 0 to 6553.5"),
        ("Low = 5", "Lo = 5", "routes.engine.signals.Gear.values.Lo: unknown value of 'Gear' 'Lo'"),
        ("Low = 5", "Low = 15",
         "routes.engine.signals.Gear.values.Low: 15 does not fit into 'Gear'; expected 0 to 7"),
        ("values = {", "scale = 2, values = {",
         "routes.engine.signals.Gear: expected 'values', or 'scale' and 'offset'; got both"),
        ('stale_after = "300 ms"', 'stale_after = "50 ms"',
         "routes.engine.stale_after: no longer than the cycle of 'EngineData', 50 ms"),
        ('on_stale = "not available"', 'on_stale = "stop"',
         "routes.engine: a gateway that stops sends no value; expected no 'when_stale'"),
        ('on_stale = "not available"', 'on_stale = "wait"', "routes.engine.on_stale: "),
        ('latency = "120 ms"', 'latency = "120"', "routes.engine.latency: "),
        ('latency = "120 ms"', 'latency = "120 ms"\nlatenci = 3',
         "routes.engine.latenci: unknown key 'latenci'"),
    ],
)  # fmt: skip
def test_a_route_that_does_not_fit_is_told_where_it_stands(car, old, new, told):
    place, _, text = told.partition(": ")
    said = [each.replace('"', "") for each in car.change(old, new).problems()]
    assert any(each.startswith(f"{place}: {text}") for each in said), said


def test_a_route_has_a_name_of_its_own(car):
    car.change("[routes.engine]", "[routes.gate]").change("[routes.engine.", "[routes.gate.")
    (problem,) = car.problems()
    assert problem.startswith("routes.gate: a node has the name 'gate' already; expected a name")


def test_a_gateway_that_stops_sends_no_status_of_its_own_that_way(car):
    car.change(", when_stale = 6553.5", "").change(", when_stale = 7", "")
    car.change('on_stale = "not available"', 'on_stale = "stop"')
    assert car.load().routes["engine"].on_stale == "stop"
    car.change('status = "GateStatus"', 'status = "EngineView"')
    (problem,) = car.problems()
    assert "routes.engine.on_stale: 'EngineView' is the status of node 'gate'" in problem
