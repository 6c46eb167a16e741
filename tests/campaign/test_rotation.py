"""What rotates from case to case: sides, eighths of a period, counter values, the nodes' clocks;
and what a case asks for, moves and lasts.
"""

from __future__ import annotations

import shutil
from bisect import bisect_right
from functools import cache
from pathlib import Path

import pytest

import linkloss.campaign.cases as cases_module
import linkloss.campaign.placed as electrical_module
import linkloss.campaign.plan as plan_module
from linkloss.campaign import depth
from linkloss.campaign.asked import holds
from linkloss.campaign.cases import CaseMaker, wiring_instances
from linkloss.campaign.placed import POSITIONS, bit_cases
from linkloss.campaign.plan import LEAST_MESSAGES, LEAST_NS, SOAK, SOAK_WITH_FAULTS, plan, plan_full
from linkloss.campaign.rotation import (
    EIGHTHS,
    FEW_NS,
    ROLL_OVERS,
    SIDES,
    Undisturbed,
    key_of,
    rolled_over,
    unrotated,
)
from linkloss.campaign.selection import case_named
from linkloss.faults.catalogue import catalogue
from linkloss.faults.frame_faults import carries
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle

MS = 1_000_000
ROOT = Path(__file__).parents[2]
WREN = ROOT / "scenarios" / "wren" / "vehicle.toml"
START = ROOT / "bench" / "linkloss" / "start" / "one_lamp" / "vehicle.toml"
TINY = ROOT / "tests" / "report" / "tiny" / "vehicle.toml"
MOST_CASES, MOST_S = 4_500, 25_000


@cache
def loaded(path):
    return load_vehicle(path)


@cache
def planned(path):
    return plan_full(loaded(path))


def vehicle():
    return loaded(WREN)


def found():
    return planned(WREN)


@cache
def phases():
    maker = CaseMaker(vehicle())
    return Undisturbed(maker)


def alone():
    """The demo car's cases with one fault."""
    return [case for case in found().cases if len(case.faults) == 1]


def again():
    return [case for case in alone() if "/again" in case.name]


# ---- what rotates ----


def test_the_demo_car_has_no_more_cases_and_seconds_than_a_check_may_take():
    seconds = sum(case.lasts_ns for case in found().cases) / 1e9
    print(f"{len(found().cases):,} cases, {seconds:,.0f} simulated seconds")
    assert len(found().cases) <= MOST_CASES
    assert seconds <= MOST_S


@pytest.mark.parametrize("path", [WREN, START, TINY], ids=["wren", "new", "tiny"])
def test_every_side_eighth_counter_value_and_roll_over_is_met(path):
    assert planned(path).unrotated == []


def lacking(left_out):
    return unrotated(phases(), [case for case in found().cases if not left_out(case)])


def test_a_counter_value_that_no_case_meets_is_named():
    def left_out(case):
        if not case.faults or key_of(case.faults[0].fault) != ("freeze", "LampRequest"):
            return False
        at_ns = case.faults[0].at_ns
        return phases().counter("LampRequest", case.situation, at_ns) == 7

    assert "freeze at LampRequest: counter value 7" in lacking(left_out)


def test_an_eighth_a_side_and_a_roll_over_that_no_case_meets_are_named():
    def at(kind, node):
        return lambda case: len(case.faults) == 1 and key_of(case.faults[0].fault) == (kind, node)

    mute = at("mute", "rear")
    eighth = lacking(lambda c: mute(c) and phases().eighth("rear", c.faults[0].at_ns) == 3)
    assert "mute at rear: eighth 3 of the period" in eighth
    near = lacking(lambda c: mute(c) and beside(c, "before", "ms"))
    assert "mute at rear: ms before an action" in near
    rolled = lacking(lambda c: ("rear", "32-bit ms") in set(rolled_over(c)))
    assert "rear: the roll-over of its clock at 32-bit ms" in rolled


def beside(case, half, what):
    """Whether a fault begins so near to an action of its situation, on that side."""
    actions = [action.at for action in vehicle().situations[case.situation].actions]
    sign = -1 if half == "before" else 1
    far = [(case.faults[0].at_ns - at_ns) * sign for at_ns in actions]
    near = range(1, FEW_NS + 1) if what == "ms" else range(FEW_NS + 1, 10**12)
    return any(step in near for step in far)


def test_counter_values_are_those_that_stand_on_the_bus():
    """Worked out again from whole runs: every value of each message that a fault concerns."""
    met = {}
    frames = {name: simulate(CaseMaker(vehicle()).case(name, ())).frames for name in situations()}
    for case in alone():
        key, at_ns = key_of(case.faults[0].fault), case.faults[0].at_ns
        message = vehicle().messages.get(key.subject)
        if message is None or message.counter is None:
            continue
        own = [
            (record.end_ns, message.counter.raw(record.frame.data))
            for record in frames[case.situation]
            if carries(message, record.frame)
        ]
        place = bisect_right(own, at_ns, key=lambda entry: entry[0])
        met.setdefault(key, set()).update(value for _, value in own[place - 1 : place])
    assert {"freeze", "alter", "drop", "stranger"} <= {key.kind for key in met}
    for key, values in met.items():
        assert values == set(range(16)), key


def situations():
    return vehicle().situations


def test_axes_rotate_and_do_not_multiply():
    """A kind of fault at a message takes far fewer cases than there are combinations."""
    own = [case for case in alone() if key_of(case.faults[0].fault) == ("alter", "LampRequest")]
    clocks = len(ROLL_OVERS) + 1
    assert len(own) < len(SIDES) * EIGHTHS * 16 * clocks / 20


@pytest.mark.slow
def test_another_kind_of_fault_moves_no_case_of_the_others(monkeypatch):
    """Running numbers are those of a kind at a message or node, and of nothing else."""
    cases = found().cases  # with all kinds, before some are taken away
    forms = {kind: form for kind, form in catalogue().items() if kind not in ("drop", "hang")}
    for module in (plan_module, cases_module, electrical_module):
        monkeypatch.setattr(module, "catalogue", lambda: forms)
    fewer = {case.name for case in plan(vehicle())}
    names = {case.name for case in cases if case.kinds not in ("drop", "hang")}
    soaks = {f"parked/{SOAK_WITH_FAULTS}"}
    assert len(fewer) < len(cases) - 300
    assert fewer - soaks == names - soaks


# ---- asked for again, moved ----


def test_the_last_case_of_each_fault_asks_for_all_that_it_touched_again_both_ways():
    maker = CaseMaker(vehicle())
    every = {case.faults[0].fault for case in alone()}
    seen = set()
    for case in again():
        (timed,) = case.faults
        seen.add(timed.fault)
        begun_ns = (timed.until_ns or timed.at_ns) + maker.spans.recovery
        asked = list(courses(maker, case, begun_ns))
        for load in maker.relevance.touched(timed.fault):
            if not can_be_asked(maker, load):
                continue
            states = [states[load] for states in asked]
            changes = [
                one for one, other in zip(states, ["", *states], strict=False) if one != other
            ]
            assert changes.count("on") >= 2, (case.name, load)
            assert changes.count("off") >= 2, (case.name, load)
    assert seen == every


def can_be_asked(maker, load):
    return bool(maker.asks.rounds((load,)))


def courses(maker, case, from_ns):
    """What inputs ask of all loads behind each action from an instant on."""
    rest = {name: entry.rest for name, entry in vehicle().inputs.items()}
    values, states = rest | dict(case.inputs), {}
    for action in case.actions:
        values |= action.values
        states = maker.asks.states(values, states)
        if action.at_ns >= from_ns:
            yield states


def test_each_load_that_is_asked_for_again_has_time_to_show_it():
    for case in again():
        last_ns = max(action.at_ns for action in case.actions)
        assert case.lasts_ns >= last_ns + 500 * MS, case.name


def test_local_inputs_of_a_node_move_both_ways_while_a_fault_concerns_it():
    moved = {case.faults[0].fault: case for case in alone() if "/moved" in case.name}
    wiring = set(wiring_instances(vehicle()))
    once = {case.faults[0].fault for case in alone() if not case.faults[0].fault.lasting}
    inputs = {case.faults[0].fault for case in alone() if case.faults[0].fault.group == "input"}
    assert wiring | once | inputs <= moved.keys() | {
        fault for fault in inputs if not local_loads(fault)
    }
    for fault, case in moved.items():
        for name in local_loads(fault):
            condition = vehicle().loads[name].local
            met = {holds(condition, values) for values in meanwhile(case)}
            assert met == {True, False}, (case.name, name)


def local_loads(fault):
    """The loads with a local input at the nodes that a fault concerns."""
    nodes = fault.nodes()
    if getattr(fault, "input", None) is not None:
        nodes = vehicle().inputs[fault.input].wired_to
    return [
        name
        for name, load in vehicle().loads.items()
        if load.local is not None and (not nodes or load.node in nodes)
    ]


def meanwhile(case):
    """The inputs while a case's fault is there, and for a while behind one that is over at once."""
    (timed,) = case.faults
    until_ns = timed.until_ns or timed.at_ns + CaseMaker(vehicle()).spans.outage
    rest = {name: entry.rest for name, entry in vehicle().inputs.items()}
    values = rest | dict(case.inputs)
    for action in case.actions:
        values |= action.values
        if timed.at_ns <= action.at_ns <= until_ns:
            yield dict(values)


# ---- momentary faults ----


def test_momentary_faults_come_before_and_behind_each_action_that_they_can_spoil():
    relevance = CaseMaker(vehicle()).relevance
    starts = {}
    for case in alone():
        if not case.faults[0].fault.lasting:
            place = case.faults[0].fault, case.situation
            starts.setdefault(place, []).append(case.faults[0].at_ns)
    assert starts
    for (fault, name), instants in starts.items():
        far_ns = 4 * phases().period_ns(key_of(fault).subject)
        for action in vehicle().situations[name].actions:
            if relevance.matters(fault, action.set):
                near = [at_ns - action.at for at_ns in instants if abs(at_ns - action.at) < far_ns]
                assert min(near) < 0 < max(near), (fault, name, action.at)


# ---- what a situation hides ----


def hiding(path):
    """What a plan says of situations whose end hides recovery."""
    return [text for text in depth.planned(loaded(path), "full").space.left_out if "hides" in text]


def test_a_situation_whose_end_hides_recovery_is_named(tmp_path):
    """A lamp that is lit at the end, as it is without a link, and not in the other situation."""
    folder = tmp_path / "car"
    shutil.copytree(START.parent, folder)
    path = folder / "vehicle.toml"
    text, last = path.read_text(encoding="utf-8"), ', { at = "2 s", set = { lights = "off" } }'
    assert text.count(last) == 1
    path.write_text(text.replace(last, ""), encoding="utf-8")
    said = hiding(path)
    assert [text.split("'")[1] for text in said] == ["night"]
    assert "tail_lamp" in said[0]


def test_the_new_car_which_newcomers_copy_hides_recovery_in_none_of_its_situations():
    assert hiding(START) == []


# ---- the bits of one frame ----


def test_six_faults_strike_in_16_bits_of_one_frame_with_news_up_to_its_last_one():
    maker = CaseMaker(vehicle())
    cases = list(bit_cases(maker, Undisturbed(maker)))
    faults = {}
    for case in cases:
        faults.setdefault(case.faults[0].fault, []).append(case.faults[0].at_ns)
    kinds = [fault.kind for fault in faults]
    assert sorted(kinds) == ["bus_off", "cut", "reset", "reset", "unplug", "unplug"]
    assert {tuple(instants) for instants in faults.values()} == {tuple(next(iter(faults.values())))}
    instants = next(iter(faults.values()))
    assert len(instants) == POSITIONS
    situation = cases[0].situation
    bit_ns = 1_000 * MS // vehicle().buses[0].bit_rate
    frames = [
        record
        for record in simulate(maker.case(situation, ())).frames
        if record.start_ns <= instants[0] < record.end_ns
    ]
    (frame,) = frames
    assert all(frame.start_ns < at_ns < frame.end_ns for at_ns in instants)
    assert 0 < frame.end_ns - instants[-1] < bit_ns
    nodes = {fault.node for fault in faults if fault.kind != "cut"}
    assert frame.sender in nodes
    assert len(nodes) == 2
    assert {case.name for case in cases} <= {case.name for case in found().cases}


# ---- soaks ----


def soaks():
    return {case.name.split("/")[1]: case for case in found().cases if case.counted_as}


def test_two_soaks_last_for_long_enough_and_do_all_that_situations_do():
    assert soaks().keys() == {SOAK, SOAK_WITH_FAULTS}
    assert not soaks()[SOAK].faults
    assert len(soaks()[SOAK_WITH_FAULTS].faults) > 50
    slowest_ns = max(
        message.period_ns
        for message in vehicle().messages.values()
        if message.counter is not None and message.period_ns is not None
    )
    for case in soaks().values():
        assert case.lasts_ns >= max(LEAST_NS, LEAST_MESSAGES * slowest_ns)
        done = [dict(action.values) for action in case.actions]
        for table in vehicle().situations.values():
            assert all(dict(action.set) in done for action in table.actions)


def test_a_soak_goes_in_another_order_with_another_seed():
    one, other = (case_named(vehicle(), f"parked/{SOAK}", seed) for seed in (0, 1))
    assert one.actions != other.actions
    assert one == soaks()[SOAK]


def test_every_case_is_made_again_from_its_name():
    for case in found().cases[::7]:
        assert case_named(vehicle(), case.name) == case


def test_a_draft_that_comes_twice_is_one_case():
    names = [case.name for case in found().cases]
    assert len(names) == len(set(names))
