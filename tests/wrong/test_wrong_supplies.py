"""Cars that take the supply from their own nodes, without any fault: the judge says so of each
node and each load that they take down.

Programs and rules are the shipped ones. Only what feeds them is another.
"""

from __future__ import annotations

import pytest
from starving_cars import DECLARED, FAN_ON_A_SMALL_FEED, WEAK_BATTERY, drive, wren_with
from wrong_cars import wren

from bench.judge import judge

FEED, START = ({old: new} for old, new in FAN_ON_A_SMALL_FEED.items())
"""The small fuse in the feed of the node, and the fan whose start is more than it bears."""


def found(vehicle, situation):
    """What breaks in a situation without any fault, as (subject, rule), and how it is told."""
    verdicts = judge(vehicle, drive(vehicle, situation))
    return {(entry.subject, entry.rule): entry.text for entry in verdicts if entry.broken}


def starved(vehicle, situation):
    """The nodes that lost their supply by the car's own doing."""
    return {subject for subject, rule in found(vehicle, situation) if rule == "fed"} & {
        *vehicle.nodes
    }


def test_a_fan_whose_start_blows_the_feed_of_its_node_has_failed(catches):
    """The lamps of the node stay dark for good."""
    broken = found(wren_with(FEED, START), "overheating")
    assert broken["front", "fed"] == (
        "lost its supply without any fault: the fuse in the feed of front opened"
    )
    for load in ("low_beam_left", "position_front", "cooling_fan"):
        assert broken[load, "fed"] == "its fuse (feed of front) opened without any fault"
    catches.append(("PowerNode", "front", "none (own feed)", "front", "fed"))


@pytest.mark.parametrize("change", [FEED, START], ids=["usual fan", "right fuse"])
def test_the_same_fan_on_the_right_fuse_has_not(change):
    """Nor has the usual fan on the small one."""
    assert found(wren_with(change), "overheating") == {}


def test_a_battery_with_which_a_start_resets_nodes_has_failed_each_of_them(catches):
    assert starved(wren_with(WEAK_BATTERY), "cranking") == {"engine", "front", "rear"}
    catches.append(("(battery)", "all", "none", "engine, front, rear", "fed"))


def test_a_vehicle_that_declares_what_a_start_resets_has_not():
    assert starved(wren_with(WEAK_BATTERY, DECLARED), "cranking") == set()
    one = {key: text.replace('"dash", "engine", ', "") for key, text in DECLARED.items()}
    assert starved(wren_with(WEAK_BATTERY, one), "cranking") == {"engine"}


def test_a_good_battery_starts_the_engine_and_feeds_all_nodes():
    assert found(wren(), "cranking") == {}
