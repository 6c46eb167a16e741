"""From a vehicle file to a message plan."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from linkloss.shipped import demo_vehicle
from linkloss.sizing.analysis import analyse, overlong, propose, what_if
from linkloss.sizing.message_plan import NO_ERRORS, Errors, errors_words, plan_of
from linkloss.sizing.observed import plain_run, timing
from linkloss.vehicle.loading import load_vehicle

sys.path.insert(0, str(Path(__file__).parents[1] / "vehicle"))
from plan_values import MS, message, plan
from written_car import WrittenCar


@pytest.fixture
def car(tmp_path) -> WrittenCar:
    return WrittenCar(tmp_path)


EXTRA = """
[messages]
LampRequest = { min_gap = "20 ms", jitter = "3 ms", deadline = "8 ms" }
Slow = { min_gap = "5 s" }

[inputs.lights]"""


def planned(car: WrittenCar, old: str = "", new: str = ""):
    return plan_of(car.change(old, new).load() if old else car.load())


def test_cycle_times_of_the_dbc_are_the_periods_and_the_deadlines(car):
    found = planned(car)
    first = found.messages[0]
    assert (first.name, first.period_ns, first.shortest_ns) == ("LampRequest", 50 * MS, 50 * MS)
    assert (first.deadline_ns, first.jitter_ns, first.senders) == (50 * MS, 0, ("dash",))
    assert found.bit_rate == 250_000
    assert found.errors == NO_ERRORS


def test_messages_stand_in_order_of_priority_and_foreign_ones_are_named(car):
    found = planned(car)
    assert [m.name for m in found.messages] == ["LampRequest", "Slow", "DashStatus", "RearStatus"]
    assert found.unsent == ("Foreign",)


def test_a_message_without_cycle_time_has_no_period(car):
    slow = planned(car).messages[1]
    assert (slow.period_ns, slow.shortest_ns, slow.deadline_ns) == (None, None, None)


def test_the_vehicle_file_adds_gap_jitter_and_deadline(car):
    first, slow = planned(car, "\n[inputs.lights]", EXTRA).messages[:2]
    assert (first.period_ns, first.shortest_ns) == (50 * MS, 20 * MS)
    assert (first.jitter_ns, first.deadline_ns) == (3 * MS, 8 * MS)
    assert (slow.period_ns, slow.shortest_ns, slow.deadline_ns) == (None, 5000 * MS, 5000 * MS)


def test_errors_to_be_borne_come_from_the_bus_table(car):
    found = planned(car, "[nodes.dash]", '[bus.errors]\nburst = 2\ninterval = "1 s"\n[nodes.dash]')
    assert found.errors == Errors(2, 10**9)
    assert errors_words(found.errors) == "2 errors at once, then one every 1 s"
    assert errors_words(Errors(1)) == "1 error at once"


@pytest.mark.parametrize(
    ("table", "where", "text"),
    [
        ("LampReqest = {}", "messages.LampReqest", "unknown message 'LampReqest'"),
        ("LampReqest = {}", "messages.LampReqest", "did you mean 'LampRequest'?"),
        (
            'LampRequest = { min_gap = "60 ms" }', "messages.LampRequest.min_gap",
            "60 ms is longer than the cycle time in the DBC, 50 ms",
        ),
        ('LampRequest = { min_gap = "0 ms" }', "messages.LampRequest.min_gap", "greater than 0"),
        ("LampRequest = { jitter = 3 }", "messages.LampRequest.jitter", "got 3; expected a dura"),
        ('LampRequest = { gap = "1 ms" }', "messages.LampRequest.gap", "unknown key 'gap'"),
    ],
)  # fmt: skip
def test_mistakes_in_the_table_of_messages_are_told_with_their_place(car, table, where, text):
    car.change("[inputs.lights]", f"[messages]\n{table}\n\n[inputs.lights]")
    told = "\n".join(car.problems())
    assert f": {where}: " in told
    assert text in told


def test_a_request_that_may_wait_longer_than_the_judge_believes_is_named():
    wren = plan_of(load_vehicle(demo_vehicle()))
    assert overlong(wren, analyse(wren)) == ()
    assert wren.worst_wait_ns == 5 * MS
    slow = analyse(wren, 50_000)
    assert slow.bounds[0].worst_ns is None or overlong(wren, slow)
    tight = plan(message("A", 1), message("B", 2), worst_wait_ns=2 * MS)
    assert overlong(tight, analyse(tight)) == ()  # nobody watches them


def test_every_message_of_wren_has_a_bound_and_keeps_its_deadline_at_its_own_bit_rate():
    found = timing(load_vehicle(demo_vehicle()))
    assert found.exit_code == 0
    assert found.analysis.unbounded == ()
    assert [b.worst_ns for b in found.analysis.bounds] == sorted(
        b.worst_ns for b in found.analysis.bounds
    )
    assert found.proposal is None


def test_runs_of_wren_stay_within_their_bounds():
    vehicle = load_vehicle(demo_vehicle())
    runs = [plain_run(vehicle, name) for name in ("cranking", "night_drive", "horn_stuck")]
    found = timing(vehicle, scenarios=runs)
    assert found.exceeded == ()
    assert found.exit_code == 0
    for bound in found.analysis.bounds:
        seen = found.observed[bound.message.name]
        assert seen.departures == []
        assert seen.untraced == 0
        assert len(seen.kept_ns) > 100
        assert 0 < seen.longest_ns <= bound.worst_ns
    assert max(
        found.observed[bound.message.name].longest_ns / bound.worst_ns
        for bound in found.analysis.bounds
    ) > 0.3  # fmt: skip


def test_what_if_holds_the_plans_own_bit_rate_and_faster_is_never_worse():
    made = plan(message("A", 1), message("B", 2, "rear", 20), bit_rate=83_333)
    found = what_if(made)
    assert [a.bit_rate for a in found] == sorted(a.bit_rate for a in found)
    assert 83_333 in {a.bit_rate for a in found}
    worst = [a.bounds[0].worst_ns for a in found if a.bounds[0].worst_ns is not None]
    assert worst == sorted(worst, reverse=True)


def test_a_plan_that_fails_gets_another_order_with_its_own_identifiers():
    made = plan(
        message("A", 0x10, "a", 3), message("B", 0x20, "b", 4),
        message("C", 0x30, "c", 4.5, length=1), message("D", 0x40, "d", 1000),
    )  # fmt: skip
    assert [bound.message.name for bound in analyse(made).late] == ["C"]
    found = propose(made)
    assert found.stuck == ()
    assert found.names == ("A", "C", "B", "D")
    assert found.identifiers == (0x10, 0x20, 0x30, 0x40)
    given = dict(zip(found.names, found.identifiers, strict=True))
    dealt = [replace(one, identifier=given[one.name]) for one in made.messages]
    assert analyse(plan(*dealt)).late == ()


def test_identifiers_of_two_formats_are_not_dealt_out_anew():
    made = plan(
        message("A", 0x10, "a", 3), message("B", 0x20, "b", 4),
        message("C", 0x30, "c", 4.5, length=1), message("D", 0x1000000, "d", 1000, extended=True),
    )  # fmt: skip
    found = propose(made)
    assert found.identifiers == ()


def test_no_order_is_proposed_where_priority_is_not_what_stands_in_the_way():
    assert propose(plan(message("A", 1), message("B", 2, "rear", None))) is None
