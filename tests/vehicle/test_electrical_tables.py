"""The electrical tables of a vehicle file: what is read, and what is refused in which words."""

from __future__ import annotations

import pytest
from electric_car import ElectricCar
from written_car import WrittenCar

from linkloss.power.consumers import Filament, Motor
from linkloss.power.switches import Direct, Relay
from linkloss.vehicle.wiring import build_network, make_load, make_switch


@pytest.fixture
def car(tmp_path) -> ElectricCar:
    return ElectricCar(tmp_path)


def test_the_tables_make_a_circuit(car):
    vehicle = car.load()
    network = build_network(vehicle.supply, vehicle.nodes, vehicle.loads)
    assert network is not None
    assert set(network.channels) == {"tail", "stop"}
    lamp, pump = network.channels["tail"], network.channels["stop"]
    assert isinstance(lamp.load, Filament)
    assert lamp.load.amps == pytest.approx(2 * 21 / 12)
    assert lamp.lead_ohm == pytest.approx(4 * 0.0127)
    assert lamp.fuse is not None
    assert lamp.fuse.rating == 7.5
    assert isinstance(pump.load, Motor)
    assert pump.load.stall_amps == pytest.approx(14)
    assert isinstance(pump.switch, Relay)
    assert network.terminals["rear"].feed_ohm == pytest.approx(4 * 0.00314)
    assert network.terminals["dash"].feed_ohm is None
    network.settle()
    assert network.powered("rear")


def test_a_vehicle_without_a_supply_has_no_circuit(tmp_path):
    vehicle = WrittenCar(tmp_path).load()
    assert vehicle.supply is None
    assert build_network(vehicle.supply, vehicle.nodes, vehicle.loads) is None


def test_a_load_without_a_switch_is_switched_by_a_bare_contact(car):
    table = car.load().loads["tail"].electrical
    assert table is not None
    assert isinstance(make_switch(table), Direct)
    assert isinstance(make_load(table), Filament)


STARTER = '[supply.starter]\ncurrent = "100 A"\nstall = "400 A"\n'

MISTAKES = [
    ('battery = "12.6 V"', 'battery = "12.6 A"', "supply.battery", "'A' is no unit of voltage"),
    ('battery = "12.6 V"', "battery = 12.6", "supply.battery", "got 12.6; expected a voltage"),
    ('capacity = "60 Ah"', 'capacity = "60 A"', "supply.capacity", "'A' is no unit of charge"),
    ('"speed > 5"', '"sped > 5"', "supply.alternator.runs_while", "unknown input 'sped'"),
    ('"30 degC"', '"30 C"', "supply.ambient", "'C' is no unit of temperature; expected a"),
    ('"6 mm2", length = "4 m"', '"6 mm", length = "4 m"', "nodes.rear.supply.feed.size",
     "got '6 mm'; expected a cross-section like '1.5 mm²' or '16 AWG'"),
    ('"16 AWG"', '"99 AWG"', "loads.stop.electrical.lead.size", "got '99 AWG'; expected a gauge"),
    ('length = "4 m"', 'length = "0 m"', "nodes.rear.supply.feed.length", "input should be great"),
    ('brown_out = "6 V"', 'range = ["16 V", "9 V"]', "nodes.rear.supply",
     "'range' is the lowest and the highest voltage, the lowest first"),
    ('brown_out = "6 V"', 'brownout = "6 V"', "nodes.rear.supply.brownout",
     "unknown key 'brownout' (did you mean 'brown_out'?); expected one of: brown_out,"),
    ('brown_out = "6 V"', 'ground_link = { to = "raer", size = "1 mm2", length = "1 m" }',
     "nodes.rear.supply.ground_link.to", "unknown node 'raer'; expected one of: dash, rear"),
    ('brown_out = "6 V"', 'ground_link = { to = "rear", size = "1 mm2", length = "1 m" }',
     "nodes.rear.supply.ground_link.to", "a node's ground needs no link to itself"),
    ('watts = "21 W"', 'watts = "21 W"\namps = "2 A"', "loads.tail.electrical",
     "expected either 'watts' or 'amps' of the nameplate"),
    ('watts = "21 W"', "", "loads.tail.electrical", "expected either 'watts' or 'amps'"),
    ('kind = "motor"', 'kind = "moter"', "loads.stop.electrical.kind", "got 'moter'; expected"),
    ('amps = "6 A"', 'amps = "15 A"', "loads.stop.electrical",
     "expected 'start' to be no less than the current of the nameplate"),
    ('watts = "21 W"', 'watts = "21 W"\nstart = "50 A"', "loads.tail.electrical",
     "'start' belongs to a motor or a solenoid"),
    ("relay = {}", "relay = {}\nsolid_state = {}", "loads.stop.electrical",
     "expected one switch: 'relay' or 'solid_state'"),
    ("relay = {}", 'relay = { drop_out = "8 V" }', "loads.stop.electrical.relay",
     "'drop_out' lies below 'pull_in'"),
    ("relay = {}", 'relay = { pull_in = "9.5 V" }', "loads.stop.electrical.relay",
     "'pull_in' is more than the lowest voltage at which node 'rear' is said to operate; expect"),
    ("relay = {}", 'relay = { bounces = 13, bounce = "1 ms" }', "loads.stop.latency",
     "its relay takes longer to close or open; expected at least '34 ms'"),
    ('local = "brake == pressed"',
     'local = "brake == pressed"\nflash = {}\nback_within = "1 s"', "loads.stop.back_within",
     "the load flashes; expected a load that stays on when it is on"),
    ("relay = {}", 'relay = {}\nsoft_start = "1 s"', "loads.stop.electrical",
     "a relay cannot start softly"),
    ("count = 2", 'ground = "bodi"', "loads.tail.electrical.ground",
     "unknown ground 'bodi'; expected one of: body, dash, rear (did you mean 'body'?)"),
    ("count = 2", 'fuse_with = "stop"', "loads.tail.electrical.fuse_with",
     "the load has a fuse of its own; expected either 'fuse' or 'fuse_with'"),
    ("count = 2", 'fuse_with = "spot"', "loads.tail.electrical.fuse_with", "unknown load 'spot'"),
    ('current = "70 A"', "", "supply.alternator.current", "this key is missing"),
    ("[supply.alternator]",
     f'{STARTER}switched_by = "tail"\n\n[supply.alternator]', "supply.starter.switched_by",
     "load 'tail' closes no contact; expected one of the kind 'solenoid'"),
    ("[supply.alternator]",
     f'{STARTER}switched_by = "tial"\n\n[supply.alternator]', "supply.starter.switched_by",
     "unknown load 'tial'"),
]  # fmt: skip


@pytest.mark.parametrize(
    "old, new, place, text", MISTAKES, ids=[f"{m[2]}-{m[3][:25]}" for m in MISTAKES]
)
def test_a_mistake_is_told_with_its_place(car, old, new, place, text):
    (problem,) = car.change(old, new).problems()
    number, _, rest = problem.partition(": ")
    assert int(number) > 0
    assert rest.startswith(f"{place}: {text}")


def test_electrical_tables_without_a_supply_say_what_is_missing(car):
    text = (car.folder / "vehicle.toml").read_text()
    begin, end = text.index("[supply]"), text.index("[nodes.rear.supply]")
    car.write("vehicle.toml", text[:begin] + text[end:])
    problems = car.problems()
    assert len(problems) == 4
    assert all("the table 'supply' is missing" in problem for problem in problems)


def test_a_shared_fuse_must_be_at_the_same_node(car):
    car.change('\nfuse = "7.5 A"', "").change("count = 2", 'fuse_with = "stop"')
    assert car.problems() == []
    car.change('output = "stop_lamp"\nfuse = "10 A"', 'output = "stop_lamp"')
    (problem,) = car.problems()
    assert "'stop' has no fuse at the same node with electrical data" in problem
