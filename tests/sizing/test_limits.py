"""Where there is no bound, and why; and that everything above keeps its own."""

from __future__ import annotations

import pytest
from plan_values import message, plan

from linkloss.sizing.analysis import FULL, analyse
from linkloss.sizing.message_plan import Sending


def reasons(made) -> dict[str, str]:
    return {bound.message.name: bound.why for bound in analyse(made).bounds}


def test_a_sound_plan_has_a_bound_for_everything():
    made = plan(message("A", 1), message("B", 2, "rear"), message("C", 3, "rear"))
    assert reasons(made) == {"A": "", "B": "", "C": ""}
    assert [bound.worst_ns for bound in analyse(made).bounds] == [2_160_000, 3_240_000, 3_240_000]


def test_a_message_without_a_period_has_none_and_keeps_those_below_waiting():
    made = plan(message("A", 1), message("B", 2, "rear", None), message("C", 3, "gauge"))
    assert reasons(made) == {
        "A": "",
        "B": "neither a cycle time in the DBC nor a 'min_gap' is declared",
        "C": "it waits behind B, which has no bound",
    }


def test_a_message_without_a_period_still_blocks_what_ranks_above_by_one_frame():
    made = plan(message("A", 1, length=0), message("B", 2, "rear", None))
    assert analyse(made).bounds[0].worst_ns == (55 + 135) * 8_000


def test_a_node_that_sends_in_order_of_arrival_spoils_its_messages_and_all_below():
    made = plan(
        message("A", 1), message("B", 2, "rear"), message("C", 3), message("D", 4, "rear"),
        rear=Sending(8, "fifo"),
    )  # fmt: skip
    found = reasons(made)
    # C waits behind B without a bound, so it may fill the mailboxes that A needs too
    assert found["A"] == "C, which has no bound, may fill the mailboxes of dash"
    assert found["B"] == found["D"] == "rear sends in order of arrival, not of priority"
    other = plan(
        message("A", 1), message("B", 2, "rear"), message("C", 3, "gauge"), message("D", 4, "rear"),
        rear=Sending(8, "fifo"),
    )  # fmt: skip
    assert reasons(other)["A"] == ""
    assert reasons(other)["C"] == "it waits behind B, which has no bound"


def test_a_node_with_one_message_may_send_in_any_order():
    made = plan(message("A", 1), message("B", 2, "rear"), rear=Sending(1, "fifo"))
    assert reasons(made) == {"A": "", "B": ""}


def test_too_few_mailboxes_are_named_with_both_numbers():
    three = [message(f"M{n}", 10 + n, "rear") for n in range(3)]
    made = plan(message("A", 1), *three, rear=Sending(2, "priority"))
    found = reasons(made)
    assert found["A"] == ""
    assert found["M0"] == "rear has 2 mailboxes but 3 frames may wait in it"
    assert reasons(plan(message("A", 1), *three, rear=Sending(3, "priority"))) == dict.fromkeys(
        ("A", "M0", "M1", "M2"), ""
    )


def test_instances_that_overtake_their_period_need_mailboxes_too():
    # C of the paper's table 2 takes 3.5 ms of 3.5 ms: one; with a shorter period it takes two
    made = [message("A", 1, "a", 2.5, length=7), message("B", 2, "b", 3.5, length=7)]
    one = plan(*made, message("C", 3, "c", 3.5, length=7), c=Sending(1, "priority"))
    assert reasons(one)["C"] == ""
    late = message("C", 3, "c", 3.5, length=7, jitter_ms=1)
    two = plan(*made, late, c=Sending(1, "priority"))
    assert reasons(two)["C"] == "c has 1 mailbox but 2 frames may wait in it"


def test_a_message_that_never_gets_out_may_fill_the_mailboxes_of_its_node():
    made = plan(
        message("A", 1, "rear"), message("B", 2, "dash", 1), message("C", 3, "rear"),
        bit_rate=125_000,
    )  # fmt: skip
    found = reasons(made)
    assert found["C"] == FULL
    assert found["A"] == "C, which has no bound, may fill the mailboxes of rear"


def test_two_senders_of_one_message():
    made = plan(message("A", 1, senders=("dash", "rear")))
    assert reasons(made) == {"A": "dash and rear both send it"}


def test_a_message_of_more_than_eight_bytes_leaves_nothing_certain():
    made = plan(message("A", 1), message("B", 2, "rear", length=12))
    text = "B has 12 bytes: only classical frames are covered"
    assert reasons(made) == {"A": text, "B": text}


@pytest.mark.parametrize(("period_ms", "bounded"), [(1.1, True), (1.08, False), (1.0, False)])
def test_a_bus_that_is_full_bounds_nothing_below_it(period_ms, bounded):
    made = plan(message("A", 1, period_ms=period_ms), message("B", 2, "rear", 1000))
    found = {bound.message.name: bound for bound in analyse(made).bounds}
    assert (found["A"].response is not None) is bounded
    assert (found["B"].response is not None) is bounded
    if bounded:
        assert found["A"].worst_ns == 2_160_000
        assert found["B"].worst_ns == 2_160_000  # it starts just before A comes again
