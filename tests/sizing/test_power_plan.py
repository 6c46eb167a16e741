"""The power plan: numbers that stand on paper, and each finding with what brings it about."""

from __future__ import annotations

import pytest

from linkloss.cli import main
from linkloss.report.power_report import finding_words, plan_exit_code
from linkloss.shipped import demo_vehicle
from linkloss.sizing.power_plan import PowerPlan, power_plan
from linkloss.vehicle.loading import load_vehicle
from linkloss.vehicle.wiring import build_network


def plan(car) -> PowerPlan:
    return power_plan(car.load())


def told(car) -> list[str]:
    return [finding_words(finding) for finding in plan(car).findings]


def test_a_sound_car_has_nothing_to_change(car):
    found = plan(car)
    assert found.broken == ()
    assert plan_exit_code(found) == 0
    assert [line.name for line in found.loads] == ["tail", "stop"]


def test_the_line_of_a_load_stands_on_paper(car):
    tail = plan(car).loads[0]
    assert tail.amps == pytest.approx(3.5)
    assert tail.start_amps == pytest.approx(35)
    assert tail.fuse is not None
    worth = 7.5 * (1 - 0.05 * 5 / 35)  # 30 degC, between 25 and 60 degC
    assert tail.fuse.worth == pytest.approx(worth)
    assert tail.fuse.share == pytest.approx(3.5 / worth)
    assert tail.fuse.wanted == 5
    own = 3.5 * (0.005 + 0.0109 + 4 * 0.0127)  # contact, fuse, 3 m and 1 m of 1.5 mm2
    feed = 9.6 * (4 * 0.00314 + 0.0019)  # 3.5 A, 6 A and 0.1 A through 4 m of 6 mm2 and MAXI 30 A
    assert tail.drop == pytest.approx(own + feed)
    assert tail.allowed == 0.9


def test_the_line_of_a_node_stands_on_paper(car):
    rear = next(node for node in plan(car).nodes if node.name == "rear")
    assert rear.amps == pytest.approx(9.6)
    assert rear.drop == pytest.approx(9.6 * (4 * 0.00314 + 0.0019) + 0.1 * 0.00314)
    assert rear.fuse is not None
    assert rear.fuse.worth == pytest.approx(30 * (1 - 0.15 * 10 / 45))


def test_all_leads_are_listed_once(car):
    found = [
        (lead.start, lead.end, lead.size, lead.length_m, lead.fuse) for lead in plan(car).leads
    ]
    assert found == [
        ("battery plus", "rear", "6 mm2", 4.0, 30.0),
        ("rear ground", "body", "6 mm2", 1.0, None),
        ("rear", "tail", "1.5 mm2", 3.0, 7.5),
        ("tail", "body", "1.5 mm2", 1.0, None),
        ("rear", "stop", "16 AWG", 2.0, 10.0),
    ]


def test_days_until_the_battery_is_flat(car):
    """2 mA from 60 Ah: 30 000 h (arithmetic)."""
    sleep = plan(car).sleep
    assert sleep is not None
    assert sleep.days == pytest.approx(1250)
    car.change('sleeping = "1 mA"\nbrown_out', 'sleeping = "49 mA"\nbrown_out')
    (text,) = told(car)
    assert text.startswith("supply: asleep it draws 50.0 mA; after 25 days half the battery is")


def test_what_falls_first_falls_first(car):
    sheds = plan(car).sheds
    assert [shed.name for shed in sheds] == ["tail", "dash", "rear", "stop"]
    assert sheds[0].text == "half its light"
    assert sheds[3].text == "its relay lets go"
    volts = {shed.name: shed.volts for shed in sheds}
    assert list(volts.values()) == sorted(volts.values(), reverse=True)
    assert volts["dash"] == pytest.approx(6.5, abs=0.01)  # it hangs on the battery without a lead
    assert 6.0 < volts["rear"] < 6.3  # 6.0 V and what its feed loses
    assert volts["stop"] == pytest.approx(3.05, abs=0.1)  # the relay's 3.0 V, and the feed


FINDINGS = [
    ('fuse = "10 A"', 'fuse = "5 A"', "stop: 6.0 A are 121% of what its fuse of 5 A is worth"),
    ('start = "14 A"', 'start = "60 A"', "stop: one start spends 100% of the fastest fuse of 10"),
    ('fuse = "30 A"', 'fuse = "33 A"', "rear: a maxi fuse of 33 A is not sold; expected one of 20"),
    ('"16 AWG"', '"22 AWG"', "stop: its fuse of 10 A lets through more than the"),
    ('size = "1.5 mm2", length = "1 m"', 'size = "0.35 mm2", length = "1 m"',
     "tail: its fuse of 7.5 A lets through more than the 7.0 A that its return lead, 0.35 mm²"),
    ('size = "1.5 mm2", length = "1 m"', 'size = "0.22 mm2", length = "0.1 m", bundled = 4',
     "tail: 3.5 A on its return lead, 0.22 mm², which carries 2.8 A at 30 °C; 0.35 mm²"),
    ('length = "3 m"', 'length = "15 m"', "tail: 0.91 V are lost"),
    ('fuse = "30 A"', 'fuse = "60 A"', "rear: its fuse of 60 A lets through more than the 50.0 A"),
    ('fuse = "30 A"', 'fuse = "5 A"', "rear: the fuse of tail, 7.5 A, is no smaller than that"),
    (', fuse = "30 A"', "", "rear: no fuse in its feed: a short there has the whole battery"),
    ('current = "70 A"', 'current = "9 A"', "supply: everything on draws 10 A, the alternator"),
    ('start = "14 A"', 'start = "10 A"', "stop: its rotor held, it draws 10 A, 101% of its fuse"),
    ("relay = {}", 'solid_state = { trip = "5 A" }', "stop: its switch trips at 5 A, and it"),
    ('"16 AWG", length = "2 m"', '"0.35 mm2", length = "30 m"',
     "stop: a short at the end of its lead makes 8 A, and its fuse of 10 A opens never;"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "text"), FINDINGS, ids=[f[2][:40] for f in FINDINGS])
def test_each_finding_is_brought_about_by_one_change(car, old, new, text):
    assert not [found for found in told(car) if found.startswith(text)]
    found = told(car.change(old, new))
    assert [one for one in found if one.startswith(text)], found


def test_a_finding_says_what_would_do_and_where_it_comes_from(car):
    assert told(car.change('fuse = "10 A"', 'fuse = "5 A"'))[0] == (
        "stop: 6.0 A are 121% of what its fuse of 5 A is worth there; expected 80% at most; 10 A"
        " would keep the rule (common practice)"
    )


def test_a_lead_must_bear_its_short_until_the_fuse_opens(car):
    car.change(
        'size = "1.5 mm2", length = "3 m", colour = "grey"', 'size = "0.1 mm2", length = "0.2 m"'
    )
    car.change('"1.5 mm2", length = "1 m"', '"6 mm2", length = "1 m"')
    text = "tail: a short makes"
    assert [one for one in told(car) if one.startswith(text) and "k = 115" in one]


def test_a_lead_without_any_fuse_is_told(car):
    car.change(', fuse = "30 A"', "").change('\nfuse = "10 A"', "")
    assert (
        "stop: no fuse protects its lead, neither its own nor one in the node's feed"
        in " ".join(told(car))
    )


def test_a_shared_fuse_is_loaded_by_all_that_hangs_on_it(car):
    car.change('\nfuse = "7.5 A"', "").change("count = 2", 'count = 2\nfuse_with = "stop"')
    tail, stop = plan(car).loads
    assert tail.shares_with == "stop"
    assert tail.fuse == stop.fuse
    assert tail.fuse is not None
    assert tail.fuse.amps == pytest.approx(9.5)


def test_what_has_no_data_is_not_looked_at(car):
    text = (car.folder / "vehicle.toml").read_text()
    begin, end = text.index("[loads.stop.electrical]"), text.index('[requests."LampRequest.Tail"]')
    car.write("vehicle.toml", text[:begin] + text[end:])
    found = plan(car)
    assert found.unchecked == ("no electrical data, so nothing was looked at: stop",)
    assert plan_exit_code(found) == 3


def test_a_motor_may_have_a_thermal_cut_out_instead(car):
    car.change('start = "14 A"', 'start = "10 A"')
    assert plan(car).broken
    car.change('start = "10 A"', 'start = "10 A"\nthermal_cut_out = true')
    assert plan(car).broken == ()


def test_wren_has_nothing_to_change_and_a_few_things_to_think_about():
    found = power_plan(load_vehicle(demo_vehicle()))
    assert [finding_words(finding) for finding in found.broken] == []
    assert found.unchecked == ()
    assert len(found.loads) == 27
    assert {finding.subject for finding in found.hints} == {"supply"}


def test_the_contact_of_the_starter_motor_stands_in_the_file_and_is_told(car):
    supply = """
[supply.starter]
switched_by = "stop"
current = "130 A"
stall = "420 A"
"""
    car.change("\n[supply.alternator]", f"{supply}\n[supply.alternator]")
    car.change('kind = "motor"', 'kind = "solenoid"')
    told_of = [entry for entry in plan(car).assumed if "starter motor" in entry.names]
    assert [entry.text for entry in told_of] == [
        "volts = 12 V", "start_time = 60 ms", "contact = 5 mohm"
    ]  # fmt: skip
    car.change('stall = "420 A"', 'stall = "420 A"\ncontact = "1 mohm"')
    vehicle = car.load()
    network = build_network(vehicle.supply, vehicle.nodes, vehicle.loads)
    assert network is not None
    assert network.starter is not None
    assert network.starter.channel.element.ohm == pytest.approx(0.001)
    (others,) = [e.names for e in plan(car).assumed if e.text == "contact = 5 mohm"]
    assert others == ("tail",)


def test_what_the_file_says_is_not_assumed(car):
    before = {entry.text: entry.names for entry in plan(car).assumed}
    assert before["start_time = 100 ms"] == ("stop",)
    assert before["relay.contact = 5 mohm"] == ("stop",)
    assert before["range = 9 V to 16 V"] == ("dash", "rear")
    car.change('start = "14 A"', 'start = "14 A"\nstart_time = "100 ms"')
    assert "start_time = 100 ms" not in [entry.text for entry in plan(car).assumed]


def test_a_car_written_from_a_list_of_nodes_has_nothing_to_change(tmp_path, capsys):
    folder = tmp_path / "new"
    assert main(["new", str(folder), "--nodes", "dash,front=python,rear=python"]) == 0
    capsys.readouterr()
    found = power_plan(load_vehicle(folder / "vehicle.toml"))
    assert len(found.loads) == 7
    assert found.findings == ()
