"""Grounds against the fuses in front of them, and what a finding says would do: one change to a
sound car each, and the next value that is sound again.
"""

from __future__ import annotations

import pytest
from power_cars import sound_car

from linkloss.sizing.power_plan import power_plan


def told(car) -> list[str]:
    return [f"{found.subject}: {found.text}" for found in power_plan(car.load()).broken]


GROUND = 'ground = { size = "16 mm2", length = "0.5 m" }'
BACK = 'electrical.back = { size = "4 mm2", length = "0.4 m" }'
FEED = 'feed = { size = "16 mm2", length = "1.5 m", fuse = "80 A" }'
LAMP = 'electrical.lead = { size = "2.5 mm2", length = "2 m" }\nelectrical.back'
LINK = 'ground_link = {{ to = "dash", size = "{} mm2", length = "1 m" }}'
MISTAKES = [
    # the fan's fuse of 30 A; 2.5 mm2 carry 27.0 A at 40 degC, its 16 A well
    (GROUND, 'ground = {{ size = "{} mm2", length = "0.2 m" }}', "2.5", "4",
     "rear: the fuse of fan, 30 A, lets through more than the 27.0 A that its ground lead"),
    # with its own ground off, 16.08 A of node and fan; 0.75 mm2 carry 13.0 A
    (GROUND, GROUND.replace("{", "{{").replace("}", "}}") + "\n" + LINK, "0.75", "4",
     "rear: 16.1 A on its ground link, 0.75 mm², which carries 13.0 A at 40 °C; 1.5 mm² carries"),
    (GROUND, GROUND.replace("{", "{{").replace("}", "}}") + "\n" + LINK, "2.5", "4",
     "rear: the fuse of fan, 30 A, lets through more than the 27.0 A that its ground link"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "wrong", "right", "text"), MISTAKES, ids=[entry[4][:50] for entry in MISTAKES]
)
def test_each_mistake_is_told_and_its_sound_twin_is_not(tmp_path, old, new, wrong, right, text):
    def car(value: str):
        made = sound_car(tmp_path).change(BACK, f'{BACK}\nelectrical.ground = "rear"')
        return made.change(old, new.format(value))

    found = told(car(wrong))
    assert [one for one in found if one.startswith(text)], found
    assert told(car(right)) == []


def test_a_ground_carries_nothing_of_loads_that_end_at_the_body(tmp_path):
    """Their fuses have another way back: 80 mA of the node's own."""
    car = sound_car(tmp_path).change(GROUND, 'ground = { size = "6 mm2", length = "0.5 m" }')
    assert told(car) == []


def test_a_ground_bears_a_short_inside_its_node_until_the_feed_fuse_opens(tmp_path):
    """About 950 A for up to 0.25 s of a MAXI fuse of 80 A; 2.5 mm2 bear 83 kA2s."""
    car = sound_car(tmp_path).change(GROUND, 'ground = { size = "2.5 mm2", length = "0.5 m" }')
    (text,) = told(car)
    assert text.startswith("rear: a short inside the node makes 8")
    assert "which its ground lead of 2.5 mm² does not bear; expected I2t of 82656 A2s" in text
    assert text.endswith("; 4 mm² does")


@pytest.mark.parametrize(
    ("old", "new", "place", "value"),
    [
        ('fuse = "30 A"', 'fuse = "20 A"', "loads.fan.fuse", "30 A"),
        ('fuse = "80 A"', 'fuse = "40 A"', "nodes.rear.supply.feed.fuse", "60 A"),
        ('fuse = "80 A"', 'fuse = "75 A"', "nodes.rear.supply.feed.fuse", "80 A"),
        (', fuse = "80 A"', "", "nodes.rear.supply.feed.fuse", "60 A"),
        (FEED, FEED.replace("16", "10"), "nodes.rear.supply.feed.size", "16 mm²"),
        (LAMP, LAMP.replace("2.5", "0.75"), "loads.lamp.electrical.lead.size", "1 mm²"),
        (LAMP, LAMP.replace("2 m", "8 m"), "loads.lamp.electrical.lead.size", "4 mm²"),
    ],
)
def test_a_finding_carries_the_size_that_puts_it_right(tmp_path, old, new, place, value):
    found = power_plan(sound_car(tmp_path).change(old, new).load()).broken
    remedies = [(".".join(f.remedy.place), f.remedy.value) for f in found if f.remedy is not None]
    assert (place, value) in remedies, remedies
