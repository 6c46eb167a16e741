"""The judge against an independent one: rules of loads as formulas of signal temporal logic.

The formulas stand in ``stl_formulas.py``, what they speak of is read out of the recording by
``stl_signals.py``, and rtamt (BSD-3-Clause) evaluates them in dense time. Judge and formulas must
name the same first instant, to the nanosecond, at which a rule is broken, or none.

``LINKLOSS_STL_PAIRS=20000`` compares as many pairs of a recording and a load; else a fraction.
"""

from __future__ import annotations

import os
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path
from random import Random

import demo_cases
import pytest
from demo_cases import wren_planned
from stl_cycle import CycleBench, expressible_message
from stl_formulas import expressible
from stl_pairs import Bench, spread
from stl_signals import database

from linkloss.session import simulate

ROOT = Path(__file__).parents[2]
DBC = ROOT / "dbc" / "wren.dbc"
MS = 1_000_000

PAIRS = int(os.environ.get("LINKLOSS_STL_PAIRS", "500"))
WHOLE = 20_000
"""From so many pairs on every rule must have been broken several times."""

PLAINER = {
    "starter": {"shortest_off": None},
    "fuel_pump": {"trip": None},
    "high_beam": {"never": ()},
}
"""What the formulas have no words for, and both judges leave out here: Wren's nodes obey it, and
are sometimes wrong without it.
"""

DEMANDS = [
    {
        "horn": {"longest_on": 300 * MS},
        "wiper": {"longest_on": 700 * MS, "on_stale": "off"},
        "cooling_fan": {"longest_on": 600 * MS, "latency": 5 * MS},
        "interior_lamp": {"hold_for": 400 * MS, "then": "on"},
        "tail_left": {"on_stale": "off"},
        "high_beam": {"on_stale": "hold", "hold_for": 300 * MS, "then": "on"},
        "position_front": {"on_stale": "hold", "hold_for": 500 * MS, "then": "off"},
    },
    {
        "horn": {"on_stale": "on", "reaction": 5 * MS},
        "wiper": {"on_reset": "on"},
        "tail_left": {"stale_after": 200 * MS},
        "tail_right": {"early": 10 * MS, "on_reset": "off"},
        "cooling_fan": {"hold_for": 200 * MS, "then": "off"},
        "accessory_socket": {"on_stale": "hold", "hold_for": 600 * MS, "then": "off"},
        "low_beam_left": {"on_reset": "off"},
        "overheat_lamp": {"stale_after": 300 * MS},
        "plate_lamp": {"latency": 1 * MS},
    },
]
"""Wren's nodes know nothing of these: some of them are right by luck, most are not."""


@pytest.fixture(scope="module")
def wren():
    return demo_cases.wren()


@pytest.fixture(scope="module")
def cases():
    """The plan without its soaks: rtamt's time grows with the square of a run's length."""
    return [case for case in wren_planned("full").cases if case.lasts_ns < 20_000 * MS]


@pytest.fixture(scope="module")
def dbc():
    return database(str(DBC))


def demanding(vehicle, changes):
    """The demo car with other rules for some of its loads."""
    loads = {
        name: load.model_copy(update={**PLAINER.get(name, {}), **changes.get(name, {})})
        for name, load in vehicle.loads.items()
    }
    return replace(vehicle, file=vehicle.file.model_copy(update={"loads": loads}))


def recordings(cases, rng):
    """Cases of the demo car's plan, spread over all of it, again and again."""
    while True:
        drawn = list(spread(cases, 40, rng))
        for case in rng.sample(drawn, len(drawn)):
            yield case.name, simulate(case)


def recordings_of_wrong_nodes(cases, rng):
    """Cases with the nodes of ``tests/wrong``, half of them where the fault of the node shows."""
    for folder in ("wrong", "wrong/nodes"):
        sys.path.append(str(ROOT / "tests" / folder))
    from test_wrong_nodes import WRONG
    from wrong_cars import car

    while True:
        for wrong in rng.sample(WRONG, len(WRONG)):
            vehicle = car({wrong.node: wrong.program, **wrong.beside}, wrong.hardware)
            kinds = [] if wrong.kind == "none" else wrong.kind.split("+")
            telling = [
                case
                for case in cases
                if case.situation == wrong.situation
                and [timed.fault.kind for timed in case.faults] == kinds
            ]
            for chosen in (telling or cases, cases):
                case = replace(rng.choice(chosen), vehicle=vehicle)
                yield f"{wrong.name}: {case.name}", simulate(case)


def compare(bench, found, pairs, rng):
    for name, recording in found:
        if bench.tally.pairs >= pairs:
            return
        bench.compare(name, recording, rng, mutants=2)


def test_judge_and_formulas_break_the_same_rules_at_the_same_instants(wren, cases, dbc, capsys):
    rng = Random(13)
    benches = {
        "the nodes as shipped": Bench(demanding(wren, {}), dbc),
        "wrong nodes": Bench(demanding(wren, {}), dbc),
        "other demands": Bench(demanding(wren, DEMANDS[0]), dbc),
        "more other demands": Bench(demanding(wren, DEMANDS[1]), dbc),
    }
    for title, bench in benches.items():
        drawn = recordings_of_wrong_nodes if title == "wrong nodes" else recordings
        compare(bench, drawn(cases, rng), PAIRS / len(benches), rng)
    tallies = {title: bench.tally for title, bench in benches.items()}
    broken = sum((bench.rules for bench in benches.values()), Counter())
    names = sum((bench.names for bench in benches.values()), Counter())
    pairs = sum(tally.pairs for tally in tallies.values())
    if pairs >= WHOLE:
        with capsys.disabled():
            print()
            for title, tally in tallies.items():
                print(f"{title}: {tally}")
            print(f"{pairs} pairs, broken {dict(broken)}, by other names {dict(names)}")
    found = [difference for bench in benches.values() for difference in bench.differences]
    assert not found, "\n".join([*map(str, found[:40]), f"{len(found)} differences"])
    assert pairs >= PAIRS
    assert broken.total() > pairs // 6
    assert {"unpaid", "fresh", "reset"} <= set(broken)
    for tally in tallies.values():  # the rest is doubt, and a node that sleeps
        assert tally.compared_ns > 0.85 * tally.all_ns
    assert names.total() <= broken.total() // 50  # two deadlines at one instant
    if pairs >= WHOLE:
        every = {"fresh", "rejoin", "stale", "then", "reset", "local", "never", "longest_on"}
        assert all(broken[rule] >= 10 for rule in (*every, "unpaid")), broken


def test_judge_and_formulas_break_the_cycle_of_a_message_at_the_same_instants(
    wren, cases, dbc, capsys
):
    rng = Random(29)
    benches = [CycleBench(wren, dbc), CycleBench(wren, dbc)]
    for bench, drawn in zip(benches, (recordings, recordings_of_wrong_nodes), strict=True):
        compare(bench, drawn(cases, rng), PAIRS / 4, rng)
    broken = sum((bench.broken for bench in benches), Counter())
    pairs = sum(bench.tally.pairs for bench in benches)
    if pairs >= WHOLE // 2:
        with capsys.disabled():
            print(f"\n{[bench.tally for bench in benches]}\n{pairs} pairs, broken {dict(broken)}")
    found = [difference for bench in benches for difference in bench.differences]
    assert not found, "\n".join([*map(str, found[:40]), f"{len(found)} differences"])
    assert broken.total() > pairs // 6
    assert {"late", "soon", "gap"} <= set(broken)
    for bench in benches:
        assert bench.tally.compared_ns > 0.9 * bench.tally.all_ns


@pytest.mark.parametrize("by_ns", [-1, 1])
def test_a_judge_that_is_wrong_by_a_nanosecond_is_found_out(wren, cases, dbc, by_ns):
    rng = Random(5)
    lax = {name: {"latency": load.latency + by_ns} for name, load in wren.loads.items()}
    bench = Bench(demanding(wren, lax), dbc, written_for=demanding(wren, {}))
    for pairs in range(63, 1000, 63):
        compare(bench, recordings(cases, rng), pairs, rng)
        if bench.differences:
            return
    pytest.fail("no difference")


def test_the_formulas_have_words_for_all_messages_and_most_loads(wren):
    """Not for loads that flash, fade or are dimmed, and not for one that two signals ask for."""
    assert all(expressible_message(wren, name) for name in wren.messages)
    flashing = {name for name, load in wren.loads.items() if load.flash is not None}
    left_out = {*flashing, "interior_lamp", "panel_lamp", "main_beam_telltale"}
    plainer = demanding(wren, {})
    assert {name for name in wren.loads if not expressible(plainer, name)} == left_out
