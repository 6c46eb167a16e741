"""``linkloss timing`` for each bus of a car, and for what passes a gateway."""

from __future__ import annotations

import json

import pytest
from relay_car import RelayCar

from linkloss.cli import main
from linkloss.sizing.observed import timing
from linkloss.sizing.route_times import analyse_buses


@pytest.fixture
def relay(tmp_path):
    return RelayCar(tmp_path)


def test_each_bus_has_a_plan_of_its_own(two_buses, capsys):
    assert main(["timing", str(two_buses.path)]) == 0
    shown = capsys.readouterr().out
    assert shown.index("message plan of bus body") < shown.index("message plan of bus engine")
    vehicle = two_buses.load()
    reports = {name: timing(vehicle, bus=name) for name in vehicle.file.bus}
    for name, report in reports.items():
        assert report.plan.bit_rate == vehicle.file.bus[name].bit_rate
        assert {vehicle.messages[b.message.name].bus for b in report.analysis.bounds} == {name}
        assert set(report.plan.nodes) == set(vehicle.file.bus[name].cable)
    slow, fast = (report.analysis.bounds[0].worst_ns for report in reports.values())
    assert slow > 3 * fast


def test_one_bus_can_be_chosen_and_has_to_be_for_a_file(two_buses, tmp_path, capsys):
    target = tmp_path / "t.json"
    assert main(["timing", str(two_buses.path), "--json", str(target)]) == 2
    assert "--bus: a file is of one bus; expected one of: body, engine" in flat(capsys)
    assert main(["timing", str(two_buses.path), "--bus", "engin"]) == 2
    assert "--bus: unknown bus 'engin'" in flat(capsys)
    assert main(["timing", str(two_buses.path), "--bus", "engine", "--json", str(target)]) == 0
    found = json.loads(target.read_text())
    assert (found["bus"], found["bit_rate"]) == ("engine", 500_000)
    assert main(["timing", str(two_buses.path), "--situation", "idle"]) == 2
    assert "a comparison with runs takes a car with one bus so far" in flat(capsys)


def flat(capsys):
    told = capsys.readouterr()
    return " ".join((told.out + told.err).split())


def test_a_gateway_with_a_cycle_of_its_own_adds_its_latency(relay, tmp_path, capsys):
    target = tmp_path / "t.json"
    assert main(["timing", str(relay.path)]) == 0
    assert "EngineData gate EngineView 120 ms 121.9 ms" in flat(capsys)
    assert main(["timing", str(relay.path), "--json", str(target)]) == 0
    (route,) = json.loads(target.read_text())["routes"]
    assert (route["source_ns"], route["target_ns"]) == (840_000, 1_100_000)
    # both without the three bits of intermission, 4 us each
    assert route["worst_ns"] == 840_000 - 12_000 + 120_000_000 + 1_100_000 - 12_000


def test_what_is_passed_on_as_it_comes_inherits_the_lateness_of_its_source(relay):
    relay.stops().change("[nodes.gate]", "[nodes.gate]\nmailboxes = 16")
    (route,) = analyse_buses(relay.load()).routes
    quickest_ns = (44 + 8 * 5) * 4_000
    jitter_ns = route.source_ns - 12_000 - quickest_ns + 40_000_000
    found = timing(relay.load())
    (bound,) = [b for b in found.analysis.bounds if b.message.name == "EngineView"]
    assert bound.message.jitter_ns == jitter_ns
    assert route.target_ns == bound.worst_ns >= jitter_ns
    assert route.worst_ns == quickest_ns + bound.worst_ns - 12_000


def test_behind_a_source_without_a_bound_there_is_none(relay):
    relay.stops().change('BA_ "GenMsgCycleTime" BO_ 256 50;\n', "", "car.dbc")
    found = timing(relay.load())
    (route,) = found.routes
    assert (route.worst_ns, route.why) == (None, "EngineData has no bound")
    why = {bound.message.name: bound.why for bound in found.analysis.bounds}
    assert why["EngineView"] == "it follows EngineData, which has no bound"
    assert found.exit_code == 3
