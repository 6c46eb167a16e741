"""Response times in recordings, and where these left the plan."""

from __future__ import annotations

from dataclasses import replace

import pytest
from plan_values import MS, message, plan

from linkloss.bus import BusRecord, Frame, RecordList
from linkloss.bus.frame import length_bits
from linkloss.recording import ControllerChange, FaultRecord, Handed, Recording
from linkloss.sizing.analysis import analyse
from linkloss.sizing.message_plan import Errors
from linkloss.sizing.observed import exceeded, observe

BIT = 8_000
PLAN = plan(message("A", 0x100, "dash", 10), message("B", 0x200, "rear", 20), errors=Errors(1))


def frame(identifier: int, number: int) -> Frame:
    return Frame(identifier, bytes([number] * 8))


def sent(identifier: int, sender: str, start_ns: int, number: int = 0, error=None) -> BusRecord:
    made = frame(identifier, number)
    end_ns = start_ns + length_bits(made) * BIT
    return BusRecord(start_ns, end_ns, sender, made, () if error else ("x",), error)


def recorded(
    *frames: BusRecord, a: tuple[Handed, ...] = (), b: tuple[Handed, ...] = ()
) -> Recording:
    made = Recording(vehicle="v", seed=0, end_ns=10**9)
    made.frames = RecordList(frames)
    made.handed = {"A": list(a), "B": list(b)}
    return made


def handed(at_ms: float, number: int = 0, *, taken: bool = True) -> Handed:
    return Handed(round(at_ms * MS), bytes([number] * 8), taken)


def texts(found, name: str) -> list[str]:
    return [departure.text for departure in found[name].departures]


def test_a_response_time_ends_with_the_intermission():
    run = recorded(sent(0x100, "dash", 3 * MS), a=(handed(1),))
    found = observe(PLAN, [run])["A"]
    assert found.kept_ns == [2 * MS + (length_bits(frame(0x100, 0)) + 3) * BIT]
    assert found.departures == []


def test_equal_contents_leave_in_the_order_in_which_they_were_handed_over():
    run = recorded(
        sent(0x100, "dash", 12 * MS), sent(0x100, "dash", 14 * MS), a=(handed(1), handed(11))
    )
    took = (length_bits(frame(0x100, 0)) + 3) * BIT
    assert observe(PLAN, [run])["A"].kept_ns == [11 * MS + took, 3 * MS + took]


def test_what_the_controller_refused_is_no_beginning_and_leaves_the_plan():
    run = recorded(sent(0x100, "dash", 3 * MS), a=(handed(1, taken=False), handed(2)))
    found = observe(PLAN, [run])
    took = (length_bits(frame(0x100, 0)) + 3) * BIT
    assert found["A"].other_ns == [1 * MS + took]
    assert found["A"].kept_ns == []
    assert texts(found, "A") == texts(found, "B") == ["the controller did not take A"]


def test_content_that_was_changed_on_its_way_is_untraced():
    run = recorded(sent(0x100, "dash", 3 * MS, number=7), a=(handed(1, 8),))
    found = observe(PLAN, [run])["A"]
    assert (found.untraced, found.kept_ns) == (1, [])


@pytest.mark.parametrize(
    ("jitter_ms", "second_ms", "broken"), [(0, 10, False), (0, 9.9, True), (2, 8, False),
                                           (2, 7.999999, True)]
)  # fmt: skip
def test_a_message_sent_too_soon_leaves_the_plan_to_the_nanosecond(jitter_ms, second_ms, broken):
    made = replace(PLAN, messages=(message("A", 0x100, jitter_ms=jitter_ms), PLAN.messages[1]))
    run = recorded(a=(handed(0), handed(second_ms)))
    found = observe(made, [run])
    assert bool(found["A"].departures) is broken
    assert bool(found["B"].departures) is broken
    if broken:
        assert "after the one before; declared: 10 ms" in texts(found, "A")[0]


def test_jitter_is_not_lent_twice():
    # 2 ms early twice in a row: the second time there is no jitter left to explain it
    made = replace(PLAN, messages=(message("A", 0x100, jitter_ms=2), PLAN.messages[1]))
    assert observe(made, [recorded(a=(handed(2), handed(10), handed(18)))])["A"].departures
    assert not observe(made, [recorded(a=(handed(2), handed(10), handed(20)))])["A"].departures


def test_a_departure_counts_for_what_ranks_below_alone():
    run = recorded(b=(handed(0), handed(1)))
    found = observe(PLAN, [run])
    assert found["A"].departures == []
    assert len(found["B"].departures) == 1


def test_errors_within_the_model_are_no_departure_and_one_more_is():
    once = [sent(0x100, "dash", 3 * MS, error="disturbed")]
    assert texts(observe(PLAN, [recorded(*once)]), "A") == []
    twice = [*once, sent(0x100, "dash", 5 * MS, error="ack")]
    assert texts(observe(PLAN, [recorded(*twice)]), "A") == [
        "a frame failed; declared: 1 error at once"
    ]


@pytest.mark.parametrize(
    "stranger",
    [
        sent(0x300, "dash", MS),
        BusRecord(MS, 2 * MS, "rear", Frame(0x300, remote=True), ("x",)),
    ],
)
def test_a_frame_that_the_plan_does_not_know_counts_for_all(stranger):
    found = observe(PLAN, [recorded(stranger)])
    assert "which the plan does not know" in texts(found, "A")[0]
    assert "which the plan does not know" in texts(found, "B")[0]


def test_a_known_message_from_the_wrong_node_is_a_stranger():
    found = observe(PLAN, [recorded(sent(0x200, "dash", MS))])
    assert texts(found, "A") == []
    assert "dash sent 200#" in texts(found, "B")[0]


@pytest.mark.parametrize(
    ("group", "counts"), [("cable", True), ("frames", True), ("node", True), ("input", False),
                          ("output", False)]
)  # fmt: skip
def test_faults_that_touch_bus_or_nodes_leave_the_plan(group, counts):
    run = recorded()
    run.faults = [FaultRecord("k", "something happened", group, False, (), 5, None)]
    assert texts(observe(PLAN, [run]), "A") == (["a fault: something happened"] if counts else [])


def test_an_error_passive_controller_leaves_the_plan():
    run = recorded()
    run.controllers = {"rear": [ControllerChange(3, "PASSIVE", 128, 0)]}
    assert texts(observe(PLAN, [run]), "A") == ["the controller of rear was error-passive"]


def test_a_run_that_left_the_plan_does_not_spoil_another_that_kept_it():
    kept = recorded(sent(0x100, "dash", 3 * MS), a=(handed(1),))
    left = recorded(sent(0x300, "dash", MS), sent(0x100, "dash", 90 * MS), a=(handed(1),))
    found = observe(PLAN, [kept, left])["A"]
    assert (len(found.kept_ns), len(found.other_ns)) == (1, 1)
    assert found.longest_ns < 4 * MS


def test_a_bound_that_a_run_contradicts_is_found_but_only_while_the_plan_was_kept():
    analysis = analyse(PLAN)
    late = recorded(sent(0x100, "dash", 9 * MS), a=(handed(1),))
    assert [b.message.name for b in exceeded(analysis, observe(PLAN, [late]))] == ["A"]
    excused = recorded(sent(0x300, "dash", MS), sent(0x100, "dash", 9 * MS), a=(handed(1),))
    assert exceeded(analysis, observe(PLAN, [excused])) == ()
