"""Cars that take the supply from their own nodes, without any fault: the judge says so of each
node and each load that they take down.

Programs and rules are the shipped ones. Only what feeds them is another.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from starving_cars import DECLARED, FAN_ON_A_SMALL_FEED, MS, WEAK_BATTERY, drive, wren_with
from wrong_cars import wren

from linkloss.faults.catalogue import make_fault
from linkloss.judge import judge
from linkloss.scenario import TimedFault

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
    row = ("(small fuse)", "front", "overheating/none", "front", "fed")
    catches(*row, broken["front", "fed"], "the fuse in the feed of front opened")


@pytest.mark.parametrize("change", [FEED, START], ids=["usual fan", "right fuse"])
def test_the_same_fan_on_the_right_fuse_has_not(change):
    """Nor has the usual fan on the small one."""
    assert found(wren_with(change), "overheating") == {}


def test_a_battery_with_which_a_start_resets_nodes_has_failed_each_of_them(catches):
    vehicle = wren_with(WEAK_BATTERY)
    assert starved(vehicle, "cranking") == {"engine", "front", "rear"}
    for node, rule in ((node, "fed") for node in ("engine", "front", "rear")):
        row = ("(weak battery)", "all", "cranking/none", node, rule)
        catches(*row, found(vehicle, "cranking")[node, rule], "lost its supply without any fault")


def test_a_vehicle_that_declares_what_a_start_resets_has_not():
    assert starved(wren_with(WEAK_BATTERY, DECLARED), "cranking") == set()
    one = {key: text.replace('"dash", "engine", ', "") for key, text in DECLARED.items()}
    assert starved(wren_with(WEAK_BATTERY, one), "cranking") == {"engine"}


def test_a_good_battery_starts_the_engine_and_feeds_all_nodes():
    assert found(wren(), "cranking") == {}


# ---- no hysteresis


def rear_fed_by(**update):
    """The demo car with another board in its rear."""
    vehicle = wren()
    rear = vehicle.nodes["rear"]
    rear = rear.model_copy(update={"supply": rear.supply.model_copy(update=update)})
    file = vehicle.file.model_copy(update={"nodes": {**vehicle.nodes, "rear": rear}})
    return replace(vehicle, file=file)


def without_hysteresis():
    """What its own load draws takes the supply of the rear, which is back without it."""
    feed = wren().nodes["rear"].supply.feed.model_copy(update={"contacts": 0.1})
    return rear_fed_by(feed=feed, brown_out=11.8, hysteresis=0.0, range=(11.9, 16.0))


def losses(recording):
    """How often the rear lost its supply, and the causes."""
    found = [change for change in recording.nodes["rear"] if change.state == "off"]
    return len(found), {change.by for change in found}


@pytest.mark.parametrize(
    "hysteresis, until_ms, times",
    [(0.6, 2_200, 1), (0.0, 1_800, 100), pytest.param(0.0, 2_200, 100, marks=pytest.mark.slow)],
)
def test_a_board_that_resets_on_and_on_at_a_threshold_to_which_a_fault_has_brought_it(
    hysteresis, until_ms, times
):
    """Its loads pull it below, without them it is above: without a hysteresis it never comes to
    rest. It is out of its range by a fault, so no load is to blame; all follow again behind it.
    """
    vehicle = rear_fed_by(hysteresis=hysteresis)
    fault = make_fault("brown_out", {"sags_to": "5.75 V"}, vehicle)
    recording = drive(vehicle, "braking", TimedFault(fault, 300 * MS, until_ms * MS))
    number, causes = losses(recording)
    assert causes == {"fault"}
    assert number == times == 1 or number >= times > 1
    verdicts = judge(vehicle, recording)
    assert [str(verdict) for verdict in verdicts if verdict.broken] == []


def test_a_board_that_resets_on_and_on_by_what_its_own_load_draws_has_failed(catches):
    """Each time it starts it switches on the socket, and that takes its supply."""
    vehicle = without_hysteresis()
    recording = drive(vehicle, "parked")
    number, causes = losses(recording)
    assert causes == {"car"}
    assert number > 5
    broken = found(vehicle, "parked")
    row = ("(no hysteresis)", "rear", "parked/none", "rear", "fed")
    catches(*row, broken["rear", "fed"], "lost its supply without any fault")
