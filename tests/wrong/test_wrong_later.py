"""Mistakes that show late, at one instant, at one counter value or on one frame: each is caught by
a case that the demo car's check has for the purpose.

The cases are those of the shipped car's plan, run with the wrong node in its place.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise

import pytest
import wrong_later as later
from base_power import HomeRear
from demo_cases import wren, wren_cases
from wrong_cars import car

from bench.campaign.cases import CaseMaker, electrical_instances
from bench.campaign.plan import plan
from bench.campaign.rotation import Phases, key_of
from bench.campaign.run import run_case
from bench.campaign.undisturbed import Undisturbed
from bench.session import simulate
from nodes.power import PowerNode


def chosen(kinds, node="", mark="", situations=()):
    """Cases of the plan, by kind, the node or message at fault, a mark, and situation."""
    return [
        case
        for case in wren_cases()
        if case.kinds in kinds
        and (not node or node in (key_of(t.fault).subject for t in case.faults))
        and f"/{mark}" in case.name
        and (not situations or case.situation in situations)
    ]


def caught(vehicle, among):
    """The first case that breaks anything, and what, as (subject, rule)."""
    for case in among:
        verdicts = run_case(replace(case, vehicle=vehicle)).verdicts
        broken = {(verdict.subject, verdict.rule) for verdict in verdicts if verdict.broken}
        if broken:
            return case.name, broken
    return "", set()


LINK = {"kinds": ["unplug"], "node": "rear"}
REQUEST = {"kinds": ["stranger"], "node": "LampRequest"}
SHORT = {"kinds": ["stranger"], "node": "EngineRequest"}
FRONT = {"kinds": ["reset"], "node": "front", "situations": ["night_drive"]}
SOAK = {"kinds": ["soak"]}
SOAKED_NS = 60_000_000_000
"""So much of a soak is enough here."""

CAUGHT = [
    (later.DarkAfterTwelveSeconds, "rear", SOAK, "accessory_socket", "fresh"),
    (later.DeafAfterTwoHundredMessages, "rear", SOAK, "accessory_socket", "fresh"),
    (later.StopLampWins, "rear", SOAK, "indicator_rear_left", "flash"),
    (later.DeafBehindReturn, "rear", {**LINK, "mark": "again"}, "plate_lamp", "fresh"),
    (later.DeafBehindThirdChange, "rear", {**LINK, "mark": "again"}, "accessory_socket", "fresh"),
    (later.HighBeamStuck, "front", FRONT, "high_beam", "fresh"),
    (later.RepairsRollOver, "rear", {**LINK, "mark": "clocks"}, "tail_left", "stale"),
    (later.SixteenBitDeadline, "rear", {**LINK, "mark": "clocks"}, "tail_left", "fresh"),
    (later.MicrosecondRollOver, "rear", {**LINK, "mark": "clocks"}, "tail_left", "stale"),
    (later.FloatSeconds, "rear", {**LINK, "mark": "clocks"}, "plate_lamp", "fresh"),
    (later.LooseMask, "rear", REQUEST, "indicator_rear_left", "fresh"),
    (later.TwinTaken, "rear", REQUEST, "indicator_rear_left", "fresh"),
    (later.AnyLength, "rear", SHORT, "fuel_pump", "fresh"),
    (later.RemoteTaken, "rear", REQUEST, "indicator_rear_right", "flash"),
]


def begun(case):
    """The beginning of a long case."""
    if case.kinds != "soak":
        return case
    actions = tuple(action for action in case.actions if action.at_ns < SOAKED_NS)
    return replace(case, actions=actions, faults=(), lasts_ns=SOAKED_NS)


@pytest.mark.parametrize(
    "program, node, among, subject, rule", CAUGHT, ids=[row[0].__name__ for row in CAUGHT]
)
def test_a_mistake_that_shows_late_or_seldom_is_caught(
    program, node, among, subject, rule, catches
):
    wanted = map(begun, chosen(**among))
    case, broken = caught(car({node: program}), wanted)
    assert (subject, rule) in broken, (case, sorted(broken))
    catches.append((program.__name__, node, among["kinds"][0], subject, rule))


@pytest.mark.parametrize("among", [SOAK, REQUEST, SHORT], ids=["soak", "request", "short"])
def test_the_right_homemade_node_is_not(among):
    for case in chosen(**among)[::5]:
        assert caught(car({"rear": HomeRear}), [begun(case)])[1] == set()


@pytest.mark.parametrize("missed", range(16))
def test_each_value_of_a_counter_is_frozen_where_it_shows(missed):
    """A node that takes a repeated counter for a new one at one value only does otherwise than a
    right one, for as long as a rule takes to see it.
    """
    program = type("Misses", (later.MissesOneCount,), {"MISSED": missed})
    frozen = [
        case
        for case in chosen(["freeze"], "LampRequest")
        if phases().counter("LampRequest", case.situation, case.faults[0].at_ns) == missed
    ]
    assert any(
        apart_ns(one, other, case.lasts_ns) > LONG_NS
        for case in frozen
        for one, other in zip(commands(case, program), commands(case, HomeRear), strict=True)
    )


LONG_NS = 500_000_000


def commands(case, program):
    """What the rear node commands over time, of loads that the message asks for."""
    found = simulate(replace(case, vehicle=car({"rear": program}))).commands
    return [found[name] for name in ("tail_left", "indicator_rear_left", "indicator_rear_right")]


def apart_ns(one, other, lasts_ns):
    """How long two series differ at a stretch, at most."""
    times = sorted({*one.times, *other.times, lasts_ns})
    longest = since = 0
    for at_ns, end_ns in pairwise(times):
        since = since + end_ns - at_ns if one.at(at_ns) != other.at(at_ns) else 0
        longest = max(longest, since)
    return longest


@cache
def phases():
    maker = CaseMaker(wren())
    return Phases(maker, Undisturbed(maker))


def test_a_board_without_a_brown_out_detector_is_caught(catches):
    """Its program runs wild in the cases that the check has for a car that is told of it."""
    told = {"least": 4.2, "brown_out_detector": False}
    supply = wren().nodes["rear"].supply.model_copy(update=told)
    vehicle = car({"rear": PowerNode}, {"supply": supply})
    sags = [fault for fault in electrical_instances(vehicle) if getattr(fault, "sags_to", None)]
    assert sags
    among = [case for case in plan(vehicle) if case.faults and case.faults[0].fault in sags]
    _, broken = caught(vehicle, among)
    assert {"rear"} & {subject for subject, _ in broken}, sorted(broken)
    catches.append(("PowerNode", "rear", "brown_out", "rear", "no detector"))
    guarded = car(
        {"rear": PowerNode}, {"supply": supply.model_copy(update={"brown_out_detector": True})}
    )
    assert caught(guarded, [replace(case, vehicle=guarded) for case in among])[1] == set()
