"""What a vehicle file says of two buses, and what is refused."""

from __future__ import annotations

import pytest

from linkloss.problem import BadInput


def test_a_bus_has_its_own_rate_nodes_messages_and_channel(two_buses):
    vehicle = two_buses.load()
    assert [bus.bit_rate for bus in vehicle.buses] == [125_000, 500_000]
    assert [bus.channel for bus in vehicle.buses] == ["body", "engine"]
    assert vehicle.along == ("dash", "rear", "ecu", "cooler")
    assert vehicle.stretches == (("dash", "rear"), ("ecu", "cooler"))
    assert vehicle.bus_of("cooler") is vehicle.bus_with("FanRequest") is vehicle.buses[1]
    assert vehicle.messages["RearStatus"].bus == "body"
    assert [path.name for path in vehicle.dbc_paths] == ["body.dbc", "engine.dbc"]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('dbc = "body.dbc"', "", "bus.body.dbc: this key is missing"),
        ('[bus.body]\ndbc = "body.dbc"', 'dbc = "body.dbc"\n[bus.body]',
         ("dbc: nothing says on which bus its messages are; expected 'dbc' in the table of each"
         " bus")),
        ('"body.dbc"', '"bodi.dbc"', "bus.body.dbc: there is no file '*bodi.dbc'"),
        ('["dash", "rear"]', '["dash", "raer"]', "bus.body.cable: unknown node 'raer'"),
        ('["dash", "rear"]', '["dash"]',
         "nodes.rear: node 'rear' is on no bus; expected it in the 'cable' of one"),
        ('["ecu", "cooler"]', '["ecu", "cooler", "rear"]',
         ("bus.engine.cable: node 'rear' is on bus 'body' already; expected one bus, or both in"
         " 'buses' of the node's table")),
        ('["ecu", "cooler"]', '["ecu", "cooler", "ecu"]',
         "bus.engine.cable: node 'ecu' stands 2 times in the cable; expected once"),
        ("[bus.engine]", '[bus.engine]\nchannel = "body"',
         "bus.engine.channel: 'body' is the channel of bus 'body' already; expected another name"),
        ('"500 kbit/s"', '"500"', "bus.engine.bit_rate: "),
        ("[bus.engine]", "[bus.engine]\nbit_rat = 3", "bus.engine.bit_rat: unknown key 'bit_rat'"),
        ('request = "FanRequest.On"', 'request = "LampRequest.On"',
         ("loads.fan.request: message 'LampRequest' is on bus 'body', node 'cooler' on bus"
         " 'engine'; expected a message of the node's own bus")),
        ("[nodes.cooler]", '[nodes.cooler]\nfilters = [{ message = "LampRequest" }]',
         "nodes.cooler.filters[1]: message 'LampRequest' is on bus 'body'"),
        ("[situations.idle]", ('[notices.cooler_lost]\nlost = "cooler"\nwithin = "1 s"\n'
         'signal = "RearStatus.Lost"\n[situations.idle]'),
         "notices.cooler_lost.lost: node 'cooler' is not on bus 'body' with message 'RearStatus'"),
        ('follows = "thermostat == on"', 'follows = "RearStatus.Lost > 0"',
         "requests.FanRequest.On: message 'RearStatus' is on bus 'body', node 'ecu' on bus"),
    ],
)  # fmt: skip
def test_what_does_not_fit_two_buses_is_told_where_it_stands(two_buses, old, new, told):
    place, _, text = told.replace("*", "").partition(": ")
    problems = [
        each.replace(f"{two_buses.path.parent}/", "")
        for each in two_buses.change(old, new).problems()
    ]
    said = [each.replace('"', "") for each in problems]
    assert any(each.startswith(f"{place}: {text}") for each in said), problems


def test_a_name_on_both_buses_is_refused(two_buses):
    two_buses.change("BO_ 176 FanRequest", "BO_ 176 LampRequest", "engine.dbc")
    assert any(
        "message 'LampRequest' on body.dbc:9 is another on engine.dbc:9, of another bus; expected a"
        " name that is unique over all buses" in each
        for each in two_buses.problems()
    )


def test_a_message_that_a_node_of_another_bus_receives_is_refused(two_buses):
    two_buses.change('"" dash\n', '"" dash,ecu\n', "body.dbc")
    (problem,) = two_buses.problems()
    assert problem == (
        "bus.body.dbc: node 'ecu', which receives message 'RearStatus', is on bus 'engine';"
        " only a node on both buses passes messages on"
    )


def test_one_bus_may_name_its_own_definition(two_buses):
    text = two_buses.path.read_text()
    of_engine = ("bus.engine", "nodes.ecu", "nodes.cooler", "inputs.thermostat", "loads.fan")
    for gone in (*of_engine, 'requests."FanRequest.On"'):
        before, _, rest = text.partition(f"[{gone}]")
        text = before + rest[rest.index("\n[") :].lstrip("\n")
    for value in ("off", "on"):
        text = text.replace(f', thermostat = "{value}"', "")
    two_buses.path.write_text(text)
    vehicle = two_buses.load()
    assert [bus.channel for bus in vehicle.buses] == ["car"]
    assert vehicle.bus_with("LampRequest") is vehicle.buses[0]
    two_buses.change("[bus.body]", 'dbc = "body.dbc"\n[bus.body]')
    assert two_buses.problems() == [
        "bus.body.dbc: the vehicle has 'dbc' already; expected one of the two"
    ]


def test_what_cannot_handle_two_buses_says_so_in_one_line(two_buses):
    with pytest.raises(BadInput) as caught:
        two_buses.load().only_bus("a live session")
    assert str(caught.value).endswith(
        "bus: a live session takes a car with one bus so far; this one has 2: body, engine"
    )
