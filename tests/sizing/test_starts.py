"""Starts in the plan: through a fuse of its own, through a shared one, through the feed of a node;
and what their dip takes down.
"""

from __future__ import annotations

import re

import pytest
from power_cars import SOUND, PowerCar, sound_car

from linkloss.power.fuses import derated, melting_s, pulse_share
from linkloss.sizing.power_plan import power_plan
from linkloss.sizing.starts import Starts, spent

MOTOR = """electrical.kind = "motor"
electrical.amps = "{amps} A"
electrical.start = "{start} A"
electrical.thermal_cut_out = true
electrical.lead = {{ size = "1.5 mm2", length = "2 m" }}
"""


def broken(car) -> list[str]:
    return [f"{finding.subject}: {finding.text}" for finding in power_plan(car.load()).broken]


@pytest.fixture
def car(tmp_path):
    return sound_car(tmp_path)


@pytest.mark.parametrize("name", SOUND)
def test_a_sound_car_has_nothing_to_change(tmp_path, name):
    assert broken(sound_car(tmp_path, name)) == []


def test_what_a_course_spends_stands_on_paper():
    """20 A through 10 A for 30 ms of the 150 ms of the band, then half of that time at less."""
    assert spent(((0.03, 20.0), (1.0, 5.0)), 10, "blade", 25) == pytest.approx(0.1, abs=0.001)
    assert spent(((0.03, 20.0), (0.03, 20.0)), 10, "blade", 25) == pytest.approx(0.4)
    assert melting_s(20 / derated(10, "blade", 25), "blade", "fastest") == pytest.approx(0.15)
    assert spent((), 10, "blade", 25) == 0


@pytest.mark.parametrize(("often", "share"), [(100_000, 0.22), (50_000, 0.22), (10_000, 0.29),
                                              (1_000, 0.38), (100, 0.48), (1, 0.48)])  # fmt: skip
def test_a_rarer_start_may_take_more_of_its_fuse(often, share):
    """A fuse maker's guide, looked up: 22, 29, 38 and 48 % of the melting I2t."""
    assert pulse_share(often) == share


def three(tmp_path, *, shared: bool) -> PowerCar:
    """Three motors on one fuse of 15 A, as one load or as three."""
    supply, loads = SOUND["12 V"]
    motor = MOTOR.format(amps=3, start=12)
    first = f'fuse = "15 A"\n{motor}'
    other = f'electrical.fuse_with = "one"\n{motor}'
    if not shared:
        return PowerCar(tmp_path, supply, {**loads, "one": f"{first}electrical.count = 3\n"})
    return PowerCar(tmp_path, supply, {**loads, "one": first, "two": other, "three": other})


def test_three_motors_on_one_fuse_are_told_however_they_are_written(tmp_path):
    (as_one,) = broken(three(tmp_path, shared=False))
    (as_three,) = broken(three(tmp_path, shared=True))
    assert as_one.startswith("one: one start spends ")
    assert as_three.startswith("one: one start together with two, three spends ")
    assert as_three.endswith("expected 22% at most for 100000 starts; 25 A would do")
    spends = [int(re.search(r"spends (\d+)%", text)[1]) for text in (as_one, as_three)]
    assert spends[0] == pytest.approx(spends[1], rel=0.1)  # three contacts and leads, not one


def test_a_rare_start_through_a_shared_fuse_is_no_mistake(tmp_path):
    car = three(tmp_path, shared=True)
    text = car.path.read_text().replace('start = "12 A"', 'start = "10 A"')
    car.write("vehicle.toml", text)
    assert len(broken(car)) == 1
    rare = text.replace('start = "10 A"', 'start = "10 A"\nelectrical.starts = 100')
    car.write("vehicle.toml", rare)
    assert broken(car) == []


def behind_20_a(tmp_path, loads: dict[str, str]) -> PowerCar:
    supply, _ = SOUND["LED"]
    supply = supply.replace('fuse = "80 A"', 'fuse = "20 A", fuse_type = "blade"')
    return PowerCar(tmp_path, supply, loads)


def test_a_fan_behind_too_small_a_feed_fuse_is_told_with_the_size_that_does(tmp_path):
    """It has no fuse of its own: that of the feed is all there is."""
    fan = MOTOR.format(amps=12, start=58).replace("1.5 mm2", "4 mm2")
    (text,) = broken(behind_20_a(tmp_path, {**SOUND["LED"][1], "fan": fan}))
    assert text.startswith("rear: one start of fan with all else on spends 9")
    assert text.endswith("A in its feed; expected 22% at most for 100000 starts; 35 A would do")


def test_what_starts_at_once_may_not_open_the_feed_fuse(tmp_path):
    """Five motors that each start well, and together do not."""
    motor = MOTOR.format(amps=2.5, start=30)
    motor += 'electrical.start_time = "40 ms"\nelectrical.starts = 100\n'
    (text,) = broken(behind_20_a(tmp_path, {f"m{n}": f'fuse = "10 A"\n{motor}' for n in range(5)}))
    assert text.startswith("rear: everything that starts at once, as after a reset, spends 100%")
    assert broken(behind_20_a(tmp_path, {"m1": f'fuse = "10 A"\n{motor}'})) == []


def test_starts_in_a_24_v_car_are_reckoned_at_what_its_alternator_holds(tmp_path):
    """A motor of twice the volts and half the ohms per volt takes the same amperes at first: what
    passes at 14.2 V on 24 V windings does not at 28.4 V.
    """
    car = sound_car(tmp_path, "24 V").change('start = "16 A"', 'start = "20 A"')
    (text,) = broken(car)
    assert text.startswith("pump: one start spends ")
    run = Starts(car.load(), 14.2)
    assert spent(next(run.run([("pump",)])).courses["pump"], 10, "blade", 40) == 0
    assert car.load().supply.charging == 28.4


def test_without_an_alternator_a_24_v_car_is_charged_with_28_4_v(tmp_path):
    car = sound_car(tmp_path, "24 V")
    text = car.path.read_text()
    begin, end = text.index("[supply.alternator]"), text.index("[supply.starter]")
    car.write("vehicle.toml", text[:begin] + text[end:])
    assert car.load().supply.charging == pytest.approx(28.4)


def test_a_soft_start_spares_the_fuse(car):
    def spends(one: PowerCar) -> float:
        return spent(
            next(Starts(one.load(), 14.2).run([("lamp",)])).courses["lamp"], 10, "blade", 40
        )

    hard = spends(car)
    soft = spends(car.change("count = 2", 'count = 2\nelectrical.soft_start = "100 ms"'))
    assert 0 < soft < hard / 2


def test_a_start_that_takes_its_node_down_is_told(car):
    """The fuse bears the fan, and the node behind its long feed does not."""
    car.change('"16 mm2", length = "1.5 m"', '"6 mm2", length = "30 m"')
    car.change(
        "electrical.relay = {}\n\n[inputs.switch_fan]",
        'electrical.relay = { drop_out = "7.4 V" }\n\n[inputs.switch_fan]',
    )
    found = broken(car)
    assert "pump: its relay lets go by everything that starts at once" in "\n".join(found)
    text = car.path.read_text().replace("5.6 V", "7.3 V")
    car.write("vehicle.toml", text)
    (reset,) = [one for one in broken(car) if one.startswith("rear: it resets")]
    assert reset.startswith("rear: it resets by one start of lamp: it gets ")


def test_a_switch_that_trips_in_a_start_is_told(car):
    before = 'electrical.relay = { contact = "2 mohm" }'
    car.change(before, 'electrical.solid_state = { trip = "20 A", on_resistance = "2 mohm" }')
    assert "fan: its switch trips, or is within 5% of it, by one start of fan: over-" in "\n".join(
        broken(car)
    )


def test_a_car_with_nothing_to_start_has_a_plan(tmp_path):
    """No load with electrical data, or the coil of the starter motor alone."""
    supply, loads = SOUND["LED"]
    bare = PowerCar(tmp_path, supply, {"lamp": ""})
    found = power_plan(bare.load())
    assert found.broken == ()
    assert found.unchecked == ("no electrical data, so nothing was looked at: lamp",)
    supply, loads = SOUND["12 V"]
    assert broken(PowerCar(tmp_path, supply, {"starter": loads["starter"]})) == []
