"""Mistakes that show late, at one instant, at one counter value or on one frame: each is caught by
a case that the demo car's check has for the purpose.

The cases are those of the shipped car's plan, run with the wrong node in its place.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
import wrong_later as later
from base_power import HomeRear
from demo_cases import wren, wren_planned
from wrong_cars import car

from linkloss.campaign.cases import CaseMaker, electrical_instances
from linkloss.campaign.plan import plan
from linkloss.campaign.rotation import key_of
from linkloss.campaign.run import run_case
from linkloss.faults.catalogue import make_fault
from linkloss.faults.frame_faults import carries
from linkloss.scenario import TimedAction, TimedFault
from linkloss.session import simulate
from linkloss_nodes import MS
from linkloss_nodes.power import PowerNode


def chosen(kinds, node="", mark="", situations=(), form=""):
    """Cases of the plan, by kind, the node or message at fault, a mark, situation, and the form of
    a stranger.
    """
    return [
        case
        for case in wren_planned("full").cases
        if case.kinds in kinds
        and (not node or node in (key_of(t.fault).subject for t in case.faults))
        and f"/{mark}" in case.name
        and (not situations or case.situation in situations)
        and (not form or case.faults[0].fault.form == form)
    ]


def caught(vehicle, among):
    """The first case that breaks anything, and what: (subject, rule) -> text."""
    for case in among:
        verdicts = run_case(replace(case, vehicle=vehicle)).verdicts
        broken = {
            (verdict.subject, verdict.rule): verdict.text for verdict in verdicts if verdict.broken
        }
        if broken:
            return case.name, broken
    return "", {}


LINK = {"kinds": ["unplug"], "node": "rear"}
REQUEST = {"kinds": ["stranger"], "node": "LampRequest"}
SHORT = {"kinds": ["stranger"], "node": "EngineRequest"}
CODE = {**SHORT, "form": "dlc"}
FRONT = {"kinds": ["reset"], "node": "front", "situations": ["night_drive"]}
SOAK = {"kinds": ["soak"]}
SOAKED_NS = 60_000_000_000
"""So much of a soak is enough here."""

CAUGHT = [
    (
        later.DarkAfterTwelveSeconds,
        "rear",
        SOAK,
        "accessory_socket",
        "fresh",
        "was off instead of on",
    ),
    (
        later.DeafAfterTwoHundredMessages,
        "rear",
        SOAK,
        "accessory_socket",
        "fresh",
        "was off instead of on",
    ),
    (
        later.StopLampWins,
        "rear",
        SOAK,
        "indicator_rear_left",
        "flash",
        "did not light up again within 1 s",
    ),
    (
        later.DeafBehindReturn,
        "rear",
        {**LINK, "mark": "again"},
        "plate_lamp",
        "fresh",
        "was off instead of on",
    ),
    (
        later.DeafBehindThirdChange,
        "rear",
        {**LINK, "mark": "again"},
        "accessory_socket",
        "fresh",
        "was off instead of on",
    ),
    (later.HighBeamStuck, "front", FRONT, "high_beam", "fresh", "went on without cause"),
    (
        later.RepairsRollOver,
        "rear",
        {**LINK, "mark": "clocks"},
        "tail_left",
        "stale",
        "was off instead of on",
    ),
    (
        later.SixteenBitDeadline,
        "rear",
        {**LINK, "mark": "clocks"},
        "tail_left",
        "fresh",
        "went on without cause",
    ),
    (
        later.MicrosecondRollOver,
        "rear",
        {**LINK, "mark": "clocks"},
        "tail_left",
        "stale",
        "was off instead of on",
    ),
    (
        later.FloatSeconds,
        "rear",
        {**LINK, "mark": "clocks"},
        "plate_lamp",
        "fresh",
        "went on without cause",
    ),
    (later.LooseMask, "rear", REQUEST, "indicator_rear_left", "fresh", "went on without cause"),
    (later.TwinTaken, "rear", REQUEST, "indicator_rear_left", "fresh", "went on without cause"),
    (later.AnyLength, "rear", SHORT, "fuel_pump", "fresh", "went off without cause"),
    (later.LengthCodeTaken, "rear", CODE, "fuel_pump", "fresh", "went on without cause"),
    (
        later.RemoteTaken,
        "rear",
        REQUEST,
        "indicator_rear_right",
        "flash",
        "flashed 1200.0 times per minute",
    ),
]


def begun(case):
    """The beginning of a long case."""
    if case.kinds != "soak":
        return case
    actions = tuple(action for action in case.actions if action.at_ns < SOAKED_NS)
    return replace(case, actions=actions, faults=(), lasts_ns=SOAKED_NS)


@pytest.mark.parametrize(
    "program, node, among, subject, rule, cause", CAUGHT, ids=[row[0].__name__ for row in CAUGHT]
)
def test_a_mistake_that_shows_late_or_seldom_is_caught(
    program, node, among, subject, rule, cause, catches
):
    wanted = map(begun, chosen(**among))
    case, broken = caught(car({node: program}), wanted)
    assert (subject, rule) in broken, (case, broken)
    text = broken[subject, rule]
    catches(program.__name__, node, case, subject, rule, text, cause)


@pytest.mark.parametrize("among", [SOAK, REQUEST, SHORT], ids=["soak", "request", "short"])
def test_the_right_homemade_node_is_not(among):
    for case in chosen(**among)[::5]:
        assert caught(car({"rear": HomeRear}), [begun(case)])[1] == {}


COUNTED = "LampRequest"


def frozen_at(count):
    """A case in which the message is frozen at a value of its counter. Meanwhile it comes out of
    its rhythm: the first frame behind the time-out may be taken, and must come too late to hide
    that the one before it was none.
    """
    vehicle = wren()
    own = [r for r in at_idle() if vehicle.messages[COUNTED].counter.raw(r.frame.data) == count]
    sent_ns = next(record.end_ns for record in own if record.end_ns > BEGIN_NS)
    frozen = TimedFault(
        make_fault("freeze", {"message": COUNTED}, vehicle), sent_ns + MS, sent_ns + 1500 * MS
    )
    moved = TimedAction(sent_ns + 15 * MS, {"high_beam": "on"})  # sent when it has settled
    return CaseMaker(vehicle).case("idle", (frozen,), more=(moved,))


BEGIN_NS = 1_000_000_000


@cache
def at_idle():
    """The frames of the message, at idle without a fault."""
    vehicle = wren()
    frames = simulate(CaseMaker(vehicle).case("idle", ())).frames
    return [record for record in frames if carries(vehicle.messages[COUNTED], record.frame)]


@pytest.mark.slow
def test_a_counter_check_that_misses_one_value_is_caught_for_each_value(catches):
    """What is frozen there is taken for new: the tail lamps do not go on."""
    row, cause = ("tail_left", "stale"), "was off instead of on"
    for missed in range(16):
        program = type("Misses", (later.MissesOneCount,), {"MISSED": missed})
        case, broken = caught(car({"rear": program}), [frozen_at(missed)])
        assert row in broken, (missed, broken)
        assert cause in broken[row]
        other = frozen_at((missed + 1) % 16)
        assert caught(car({"rear": program}), [other])[1] == {}, missed
    case = f"idle/freeze({COUNTED})"
    catches("MissesOneCount (16)", "rear", case, *row, broken[row], cause)


@pytest.mark.parametrize("count", [0, 7])
def test_a_right_counter_check_is_not(count):
    assert caught(car({"rear": HomeRear}), [frozen_at(count)])[1] == {}


@pytest.mark.slow
def test_a_board_without_a_brown_out_detector_is_caught(catches):
    """Its program runs wild in the cases that the check has for a car that is told of it."""
    told = {"least": 4.2, "brown_out_detector": False}
    supply = wren().nodes["rear"].supply.model_copy(update=told)
    vehicle = car({"rear": PowerNode}, {"supply": supply})
    sags = [fault for fault in electrical_instances(vehicle) if getattr(fault, "sags_to", None)]
    assert sags
    among = [case for case in plan(vehicle) if case.faults and case.faults[0].fault in sags]
    case, broken = caught(vehicle, among)
    row = ("rear", "program")
    assert row in broken, broken
    cause = "ran wild on too little voltage: nothing held its processor in reset"
    catches("(no brown-out detector)", "rear", case, *row, broken[row], cause)
    guarded = car(
        {"rear": PowerNode}, {"supply": supply.model_copy(update={"brown_out_detector": True})}
    )
    assert caught(guarded, among[::3])[1] == {}
