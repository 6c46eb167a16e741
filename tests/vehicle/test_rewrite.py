"""Values written anew in the text of a vehicle file, with everything around them as it was."""

from __future__ import annotations

import tomllib

import pytest

from linkloss.vehicle.rewrite import rewritten

TEXT = """# a car
[nodes.rear.supply]   # at the back
feed = { size = "4 mm2", length = "5 m", colour = "red, {thick}" }   # long
current = "80 mA"

[loads.fan]
node = "rear" # no fuse yet
electrical.kind = "motor"
electrical.lead = { size = '2.5 mm2', length = "1 m" }
electrical.solid_state.trip = "20 A"

[loads]
lamp = { node = "rear", fuse = "5 A", electrical = { lead = { size = "1 mm2", length = "1 m" } } }
tail.node = "rear"
"""


@pytest.mark.parametrize(
    ("place", "value", "old", "new"),
    [
        (("nodes", "rear", "supply", "feed", "size"), "6 mm²", '"4 mm2"', '"6 mm²"'),
        (("nodes", "rear", "supply", "feed", "fuse"), "30 A", ' {thick}" }',
         ' {thick}", fuse = "30 A" }'),
        (("nodes", "rear", "supply", "current"), "90 mA", '"80 mA"', '"90 mA"'),
        (("loads", "fan", "fuse"), "30 A", "[loads.fan]\n", '[loads.fan]\nfuse = "30 A"\n'),
        (("loads", "fan", "electrical", "lead", "size"), "4 mm²", "'2.5 mm2'", '"4 mm²"'),
        (("loads", "fan", "electrical", "solid_state", "trip"), "9 A", '"20 A"', '"9 A"'),
        (("loads", "fan", "electrical", "fuse_type"), "maxi", 'kind = "motor"\n',
         'kind = "motor"\nelectrical.fuse_type = "maxi"\n'),
        (("loads", "tail", "fuse"), "5 A", 'tail.node = "rear"\n',
         'tail.node = "rear"\ntail.fuse = "5 A"\n'),
        (("loads", "lamp", "fuse"), "10 A", '"5 A"', '"10 A"'),
        (("loads", "lamp", "electrical", "lead", "size"), "2 mm²", '"1 mm2"', '"2 mm²"'),
        (("loads", "lamp", "electrical", "lead", "colour"), "red", '"1 m" } }',
         '"1 m", colour = "red" } }'),
    ],
)  # fmt: skip
def test_one_value_changes_and_nothing_else(place, value, old, new):
    assert TEXT.count(old) == 1
    text, by_hand = rewritten(TEXT, {place: value})
    assert by_hand == ()
    assert text == TEXT.replace(old, new)
    found = tomllib.loads(text)
    for key in place:
        found = found[key]
    assert found == value


@pytest.mark.parametrize(
    "place",
    [
        ("loads", "tail", "electrical", "kind"),
        ("loads", "fan", "electrical", "back", "size"),
        ("a", "b"),
    ],
)
def test_what_has_no_place_in_the_text_is_left_to_the_user(place):
    assert rewritten(TEXT, {place: "5 A"}) == (TEXT, (place,))


def test_several_values_change_at_once():
    values = {("loads", "fan", "fuse"): "30 A", ("loads", "lamp", "fuse"): "7.5 A"}
    text, by_hand = rewritten(TEXT, values)
    assert by_hand == ()
    found = tomllib.loads(text)["loads"]
    assert (found["fan"]["fuse"], found["lamp"]["fuse"]) == ("30 A", "7.5 A")
