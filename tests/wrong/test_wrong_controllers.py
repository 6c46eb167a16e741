"""The demo car with a controller that is set wrongly in one node: the run shows what comes of it.

Most programs are the shipped ones; the judge looks at what was delivered before filters and FIFO,
and so blames the node. A program that is too slow for two receive buffers is in wrong_receive.py.
"""

from __future__ import annotations

import pytest
from base_power import HomeRear
from demo_cases import narrow, wren
from wrong_cars import car

from linkloss.vehicle.tables import PROFILES, FilterTable

ALL = tuple(FilterTable(message=name) for name in wren().messages)


def without(message: str) -> tuple[FilterTable, ...]:
    return tuple(entry for entry in ALL if entry.message != message)


def broken(node: str, program: object, **hardware: object) -> dict[tuple[str, str], str]:
    verdicts = [
        finding.verdict
        for finding in narrow(car({node: program}, hardware), ["none"], ["parked"]).findings
    ]
    return {(verdict.subject, verdict.rule): verdict.text for verdict in verdicts}


def test_filters_that_let_every_message_through_change_nothing():
    assert broken("rear", HomeRear, filters=ALL) == {}


def test_a_filter_that_misses_the_request_leaves_the_tail_lamps_lit_for_ever(catches):
    found, row = (
        broken("rear", HomeRear, filters=without("LampRequest")),
        ("tail_left", "end to end"),
    )
    assert row in found, found
    cause = "was on while its inputs ask for off"
    catches("(filter too narrow)", "rear", "parked/none", *row, found[row], cause)


def test_a_program_that_sets_filters_of_its_own_does_not_mind_those_after_the_reset():
    program = wren().programs["rear"]
    assert broken("rear", program, filters=without("LampRequest")) == {}


def test_a_node_that_only_listens_is_missed(catches):
    found, row = broken("dash", wren().programs["dash"], listen_only=True), ("dash", "rejoin")
    assert row in found, found
    cause = "sent no DashNotices although no fault was left"
    catches("(listen only)", "dash", "parked/none", *row, found[row], cause)


@pytest.mark.parametrize("name", PROFILES)
def test_the_cars_programs_get_along_with_every_bundled_controller(name):
    program = wren().programs["rear"]
    assert broken("rear", program, **PROFILES[name].properties) == {}
