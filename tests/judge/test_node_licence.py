"""What a vehicle may allow a node beyond the usual: a restart in bus-off, a clock that is wrong."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge

FREE = {"rear": {"restart_on_bus_off": True}}


def restarted(at_ms, *states, nodes=None):
    """The rear restarts by itself; its controller's states before that."""
    tape = Tape(car(nodes=nodes), end_ms=4000).requests(60, 4000, on=False)
    tape.controller("rear", *states)
    return tape.reset("rear", at_ms, cause="program")


def test_a_node_may_restart_itself_in_bus_off_where_that_is_declared():
    assert restarted(1000, (900, "BUS_OFF"), (1000, "ACTIVE"), nodes=FREE).broken("rear") == []
    assert restarted(900, (900, "BUS_OFF"), (900, "ACTIVE"), nodes=FREE).broken("rear") == []


def test_it_may_not_where_it_is_not_declared():
    assert ("rear", "program") in restarted(1000, (900, "BUS_OFF"), (1000, "ACTIVE")).broken()


@pytest.mark.parametrize("states", [(), ((900, "BUS_OFF"), (950, "ACTIVE"))])
def test_nor_where_its_controller_is_not_bus_off(states):
    assert ("rear", "program") in restarted(1000, *states, nodes=FREE).broken()


def test_a_clock_that_may_be_wrong_widens_the_time_until_a_link_is_lost():
    """Good at 460 ms, stale 250 ms later by a clock that may be wrong by 1 %: 2.5 ms."""
    nodes = {"rear": {"drift": "10000 ppm"}}

    def tape(late):
        made = Tape(car(nodes=nodes)).requests(60, 461, on=True).fault("cut", 465, None)
        return made.output("lamp", (80, 1), (732 + late, 0), (733, 0))

    edge(lambda late: tape(late + NS * 500_000), "stale", deadline_ms=732 + NS * 500_000)
    early = Tape(car(nodes=nodes)).requests(60, 461, on=True).fault("cut", 465, None)
    assert early.output("lamp", (80, 1), (703, 0)).broken("lamp") == []
    early = Tape(car(nodes=nodes)).requests(60, 461, on=True).fault("cut", 465, None)
    broken(early.output("lamp", (80, 1), (702, 0)).verdict("stale"), at_ms=702)
