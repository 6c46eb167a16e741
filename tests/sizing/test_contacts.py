"""Relay contacts and solid-state switches in the plan: one change to a sound car each, and the next
value that is sound again.
"""

from __future__ import annotations

import pytest
from power_cars import sound_car

from linkloss.sizing.power_plan import power_plan
from linkloss.vehicle.electrical import RelayTable

FAN = 'electrical.relay = { contact = "2 mohm" }'
LAMP = 'solid_state = { limit = "80 A", trip = "20 A", on_resistance = "5 mohm" }'
TAIL = 'solid_state = { limit = "5 A", trip = "2 A", open_load = "30 mA" }'


def told(car, weight: str = "broken") -> list[str]:
    findings = power_plan(car.load()).findings
    return [f"{found.subject}: {found.text}" for found in findings if found.weight == weight]


FAN_RELAY = 'electrical.relay = {{ contact = "2 mohm", {} }}'
MISTAKES = [
    # 16 A of a motor, at any voltage
    (FAN, FAN_RELAY, 'rating = "15 A", making = "120 A"', 'rating = "16 A", making = "120 A"',
     "fan: it draws 16.0 A at 14.2 V, and the contact of its relay is good for 15 A; a relay of"),
    (FAN, FAN_RELAY, 'motors = "12 A"', 'motors = "17 A"',
     "fan: it draws 16.0 A at 14.2 V, and the contact of its relay is good for 12 A for motors;"),
    # 60 A at 12 V is 200 mohm; 16 mohm on the way, 14.2 V
    (FAN, FAN_RELAY, 'making = "60 A"', 'making = "70 A"',
     "fan: its relay closes on 66 A, and may weld from 60 A on; a relay of 20 A would do, or a"),
    # 2 x 55 W at 14.2 V: 9.17 A x (14.2 / 12)^0.55
    (LAMP, 'relay = {{ {}, making = "200 A" }}', 'lamps = "10 A"', 'lamps = "10.1 A"',
     "lamp: it draws 10.1 A at 14.2 V, and the contact of its relay is good for 10 A for lamps;"),
    # cold filaments of 131 mohm, 31 mohm on the way: 88 A
    (LAMP, "relay = {{ {} }}", 'rating = "20 A"', 'rating = "30 A"',
     "lamp: its relay closes on 88 A, and may weld from 80 A on; a relay of 30 A would do, or a"),
    (LAMP, 'solid_state = {{ {}, on_resistance = "5 mohm" }}', 'limit = "10 A"', 'limit = "60 A"',
     "lamp: its switch lets no more than 10 A pass, and it draws 10.1 A at 14.2 V"),
    (LAMP, 'solid_state = {{ {}, on_resistance = "5 mohm" }}', 'trip = "10 A"', 'trip = "11 A"',
     "lamp: its switch trips at 10 A, and it draws 10.1 A at 14.2 V"),
    # 10.06 A x 10.06 A x 20 mohm = 2.02 W
    (LAMP, 'solid_state = {{ on_resistance = "20 mohm", thermal = {} }}', "50", "49",
     "lamp: at 10.1 A its switch loses 2.0 W, gets 101 K warmer and trips at 100 K; expected less"),
    # 0.3 A at 12 V behind a knee of 6 V: 0.33 A at 12.6 V
    (TAIL, 'solid_state = {{ open_load = "{} A" }}', "0.34", "0.07",
     "tail: its switch reports an open load below 0.34 A, and at 12.6 V it draws 0.33 A; expected"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "wrong", "right", "text"), MISTAKES, ids=[entry[4][:40] for entry in MISTAKES]
)
def test_each_mistake_is_told_and_its_sound_twin_is_not(tmp_path, old, new, wrong, right, text):
    drops = 'kind = "filament"\nelectrical.drop = "1 V"'
    car = sound_car(tmp_path).change('kind = "filament"', drops)
    car.change(old, new.format(wrong))
    found = told(car)
    assert [one for one in found if one.startswith(text)], found
    assert told(car.change(new.format(wrong), new.format(right))) == []


def test_a_load_that_is_open_to_its_switch_at_low_voltage_alone_is_worth_a_thought(tmp_path):
    """0.3 A at 12 V behind a knee of 6 V: 75 mA at the 7.5 V that the node goes down to."""
    car = sound_car(tmp_path).change(TAIL, 'solid_state = { open_load = "0.08 A" }')
    assert told(car) == []
    (hint,) = [one for one in told(car, "hint") if one.startswith("tail")]
    assert "an open load below 0.08 A, and at 7.5 V it draws 0.075 A" in hint
    car.change('open_load = "0.08 A"', 'open_load = "0.07 A"')
    assert not [one for one in told(car, "hint") if one.startswith("tail")]


def test_the_contact_of_a_24_v_relay_is_good_for_less():
    """A data sheet, looked up: 12 A at 12 V and 8 A at 24 V; another: 30 A at 85 degC, makes 120
    A.
    """
    assert RelayTable().rated(12) == 30
    assert RelayTable().makes(12) == 120
    assert RelayTable().rated(24) == pytest.approx(30 * 8 / 12)
    assert RelayTable(rating=10.0).makes(24) == 40
