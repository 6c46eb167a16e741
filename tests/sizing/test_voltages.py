"""Voltages in the plan: nameplates, ranges, brown-out, charging, cranking, parking; one change to a
sound car each, and the next value that is sound again.
"""

from __future__ import annotations

import pytest
from power_cars import SOUND, sound_car

from linkloss.sizing.power_plan import power_plan
from linkloss.vehicle.electrical import drop_volts


def told(car, weight: str = "broken") -> list[str]:
    findings = power_plan(car.load()).findings
    return [f"{found.subject}: {found.text}" for found in findings if found.weight == weight]


REAR = 'range = ["7.5 V", "16 V"]\nbrown_out = "5.6 V"\n\n[nodes.dash.supply]'
REAR_IS = 'range = ["{} V", "{} V"]\nbrown_out = "{} V"\n\n[nodes.dash.supply]'
LEAD = 'lead = { size = "25 mm2", length = "1.5 m" }'
STALL = 'stall = "420 A"'
ALTERNATOR = 'current = "90 A"'
ON_ALTERNATOR = 'current = "90 A"\nlead = {{ size = "{}", length = "{} m" }}'
MISTAKES = [
    # name of the car, what stands there, what instead, wrong, right, what is told
    ("12 V", 'kind = "led"', 'kind = "led"\nelectrical.volts = "{} V"', "24", "13.5",
     "tail: it is made for 24 V, and the car has 12 V, too little for it; expected 'volts' from 9"),
    ("24 V", 'electrical.volts = "24 V"\nelectrical.kind = "filament"',
     'electrical.volts = "{} V"\nelectrical.kind = "filament"', "12", "28",
     "lamp: it is made for 12 V, and the car has 24 V, too much for it; expected 'volts' from 18"),
    ("24 V", f'{STALL}\nvolts = "24 V"', f'{STALL}\nvolts = "{{}} V"', "12", "28",
     "starter motor: it is made for 12 V, and the car has 24 V, too much for it"),
    ("LED", REAR, REAR_IS, ("12.7", "16", "5.6"), ("12.5", "16", "5.6"),
     "rear: with everything on it gets 12.6 V from the battery alone, and its range begins at 12"),
    ("12 V", REAR, REAR_IS, ("7.5", "14", "5.6"), ("7.5", "14.2", "5.6"),
     "rear: it gets up to 14.2 V, and its range ends at 14 V"),
    ("12 V", REAR, REAR_IS, ("7.5", "16", "7.5"), ("7.5", "16", "7"),
     "rear: it resets below 7.5 V, within its range, which begins at 7.5 V; expected a brown-out"),
    ("12 V", REAR, REAR_IS, ("7.5", "16", "7.2"), ("7.5", "16", "7"),
     "rear: once it has reset it starts again from 7.7 V only, and its range begins at 7.5 V;"),
    # 12.6 V behind 8 mohm, 130 A: 11.5 V; at first 290 A: 10.2 V
    ("12 V", REAR, REAR_IS, ("11.7", "16", "5.6"), ("11.4", "16", "5.6"),
     "rear: while the engine is started it gets 11.5 V, and its range begins at 11.7 V; a lower"),
    ("12 V", REAR, REAR_IS, ("11.4", "16", "10.6"), ("11.4", "16", "8.5"),
     "rear: it resets when the engine is started: it gets 10.2 V; expected 10.6 V or more, or the"),
    # 130 A through 1.115 mohm of 25 mm2 is 0.14 V
    ("12 V", LEAD, 'lead = {{ size = "{} mm2", length = "3 m" }}', "10", "16",
     "starter motor: 0.71 V are lost in its lead at 130 A; expected 0.50 V at most; 16 mm² does"),
    # 420 A for 10 s: 1.76 MA2s; 10 mm2 bear 1.32
    ("12 V", LEAD, 'lead = {{ size = "{} mm2", length = "1.5 m" }}', "10", "16",
     "starter motor: its rotor held it makes 420 A for up to 10.00 s, which its lead of 10 mm²"),
    ("12 V", ALTERNATOR, ON_ALTERNATOR, ("10 mm2", "1"), ("16 mm2", "1"),
     "alternator: 90.0 A on its lead, 10 mm², which carries 65.2 A at 40 °C; 16 mm² carries it"),
    # 90 A through 5 x 1.16 mohm: 0.52 V
    ("12 V", ALTERNATOR, ON_ALTERNATOR, ("16 mm2", "5"), ("25 mm2", "5"),
     "alternator: 0.52 V are lost in its lead at 90 A; expected 0.40 V at most; 25 mm² does"),
    ("12 V", 'volts = "14.2 V"', 'volts = "{} V"', "12.6", "13.8",
     "alternator: its regulator holds 12.6 V, and the battery has 12.6 V: it never charges;"),
    ("12 V", 'volts = "14.2 V"', 'volts = "{} V"', "15.8", "14.8",
     "alternator: its regulator holds 15.8 V; expected 15.6 V at most: a battery boils"),
    ("24 V", 'volts = "28.4 V"', 'volts = "{} V"', "14.2", "28",
     "alternator: its regulator holds 14.2 V, and the battery has 25.2 V: it never charges"),
    # 2 mA: 60 Ah / 2 / 2 mA = 625 days
    ("12 V", 'capacity = "60 Ah"', 'capacity = "60 Ah"\nparked_days = {}', "626", "624",
     "supply: asleep it draws 2.0 mA; after 625 days half the battery is gone; expected 626 days"),
]  # fmt: skip


def written(car, old: str, new: str, values):
    values = values if isinstance(values, tuple) else (values,)
    return car.change(old, new.format(*values))


@pytest.mark.parametrize(
    ("name", "old", "new", "wrong", "right", "text"),
    MISTAKES,
    ids=[entry[5][:45] for entry in MISTAKES],
)
def test_each_mistake_is_told_and_its_sound_twin_is_not(
    tmp_path, name, old, new, wrong, right, text
):
    found = told(written(sound_car(tmp_path, name), old, new, wrong))
    assert [one for one in found if one.startswith(text)], found
    assert told(written(sound_car(tmp_path, name), old, new, right)) == []


def test_a_node_may_reset_while_the_engine_is_started_if_the_file_says_so(tmp_path):
    car = written(sound_car(tmp_path), REAR, REAR_IS, ("11.4", "16", "10.6"))
    assert told(car)
    assert told(car.change(STALL, f'{STALL}\nmay_reset = ["rear"]')) == []


def test_a_node_that_resets_only_with_everything_on_is_worth_a_thought(tmp_path):
    car = written(sound_car(tmp_path), REAR, REAR_IS, ("11.4", "16", "10.1"))
    assert told(car) == []
    assert [one for one in told(car, "hint") if "the engine is started with everything on" in one]


def test_a_solenoid_that_lets_go_while_the_engine_is_started_is_told(tmp_path):
    car = sound_car(tmp_path).change(
        'start = "10 A"', 'start = "10 A"\nelectrical.holds_to = "5.9 V"'
    )
    assert told(car) == []
    car.change('internal_resistance = "8 mohm"', 'internal_resistance = "60 mohm"')
    assert [one for one in told(car) if one.startswith("starter motor: its solenoid lets go")]


def test_a_declared_drive_stands_in_place_of_everything_on(tmp_path):
    """Lamps and fan, 25.2 A, and 0.16 A of the nodes, from an alternator of 25 A."""
    car = sound_car(tmp_path).change(ALTERNATOR, 'current = "25.2 A"')
    assert [one for one in told(car, "hint") if "everything on draws 45 A" in one]
    car.change('capacity = "60 Ah"', 'drive = { lamp = "100 %", fan = "100 %" }')
    (text,) = told(car)
    assert text == (
        "supply: the drive of the file draws 25.3 A on the mean, the alternator gives 25.2 A:"
        " the battery runs flat on the way; expected 26 A or more, or less to feed (most: fan, 16"
        " A)"
    )
    car.change('fan = "100 %"', 'fan = "98 %"')
    assert told(car) == []
    assert not [one for one in told(car, "hint") if "everything on" in one]


def test_a_drive_names_loads_that_there_are(tmp_path):
    car = sound_car(tmp_path).change('capacity = "60 Ah"', 'drive = { lmap = "100 %" }')
    (text,) = car.problems()
    assert "supply.drive.lmap: unknown load 'lmap'; expected one of" in text
    assert "did you mean 'lamp'?" in text


@pytest.mark.parametrize(("share", "sound"), [("10 %", True), ("3 %", True), ("1 %", False)])
def test_the_drop_of_a_kind_of_load_can_be_set(tmp_path, share, sound):
    """Marine tables, looked up: 3 % for what must work, 10 % for the rest."""
    car = sound_car(tmp_path).change(
        "[supply.alternator]", f'[supply.drops]\nled = "{share}"\n\n[supply.alternator]'
    )
    found = [one for one in told(car) if one.startswith("tail: ")]
    assert (found == []) == sound
    tail = next(line for line in power_plan(car.load()).loads if line.name == "tail")
    assert tail.allowed == pytest.approx(float(share.split()[0]) / 100 * 12)


def test_drops_are_shares_of_the_nominal_voltage_or_volts():
    assert drop_volts("3 %", 24) == pytest.approx(0.72)
    assert drop_volts("0.5 V", 24) == 0.5
    for text in ("0 %", "60 %", "13 V", 5):
        with pytest.raises(ValueError, match="got"):
            drop_volts(text)


@pytest.mark.parametrize("name", SOUND)
def test_the_usual_drop_is_the_same_share_of_any_voltage(tmp_path, name):
    """A list for 12 V, from memory: 0.6 V for an LED."""
    plan = power_plan(sound_car(tmp_path, name).load())
    led = next(line for line in plan.loads if line.kind == "led")
    assert led.allowed == pytest.approx(1.2 if name == "24 V" else 0.6)
