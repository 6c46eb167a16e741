"""Who does each fault to a node on the desk: a kind that is new has to be placed here."""

from __future__ import annotations

from felt_lab import roomy_wren

from linkloss.desk.fault_ways import Way, ways
from linkloss.faults.catalogue import catalogue

# Common practice: a relay opens a plug, a supply or a line; nothing here dips a supply, and no
# adapter spoils the bits of others.
AT_THE_NODE = {
    Way.BOARD: {"unplug", "reset", "open", "stuck"},
    Way.HAND: {"open", "stuck", "fuse_blown", "load_open", "load_short", "relay_welded"},
    Way.NONE: {
        "noise", "corrupt", "short", "stuck_dominant", "swapped", "unterminated", "ground_offset",
        "wrong_bit_rate", "flood", "alternator_surge", "battery_off", "brown_out", "ground_lost",
        "bus_off", "held_bus_off", "hang", "mute", "slow_boot",
    },
    Way.BENCH: {
        "cut", "alter", "delay", "drop", "duplicate", "freeze", "impostor", "stranger", "bounce",
    },
}  # fmt: skip
ELSEWHERE = {
    "unplug", "reset", "brown_out", "bus_off", "held_bus_off", "ground_lost", "hang", "mute",
    "slow_boot", "open", "stuck", "fuse_blown", "load_open", "load_short", "relay_welded",
}  # fmt: skip
"""What the bench does to the other nodes, which are simulated."""


def test_each_kind_of_fault_has_its_way():
    found: dict[Way, set[str]] = {way: set() for way in Way}
    for kind, way, number in ways(roomy_wren(), "rear"):
        assert number > 0
        found[way].add(kind)
    assert found == {**AT_THE_NODE, Way.BENCH: AT_THE_NODE[Way.BENCH] | ELSEWHERE}
    assert set(catalogue()) == set().union(*found.values())
