"""How many losses in a row a receiver bears, on the border and one nanosecond beyond."""

from __future__ import annotations

import pytest
from plan_values import MS, message, plan

from linkloss.bus.frame import Frame, length_bits
from linkloss.sizing.analysis import analyse
from linkloss.sizing.message_plan import Watch, patience, shortest_bits

RATE = 125_000
BIT = 8_000


def left(allowed_ns: int, most: int | None = None):
    """10 ms period; worst way 2 ms and 3 bits, quickest 100 bits = 0.8 ms: it wanders 1.2 ms."""
    return patience(Watch("lamp", allowed_ns, most), 10 * MS, 2 * MS + 3 * BIT, 100, RATE)


@pytest.mark.parametrize(
    ("allowed_ns", "losses"),
    [
        (51_200_000, 4),  # five periods and what the way may differ
        (51_199_999, 3),
        (21_200_000, 1),
        (11_200_000, 0),
        (11_199_999, None),
    ],
)
def test_losses_in_a_row_on_the_border(allowed_ns, losses):
    assert left(allowed_ns).losses == losses


def test_slack_is_what_is_left_when_nothing_is_lost():
    assert left(11_200_005).slack_ns == 5
    assert left(11_199_999).slack_ns == -1


def test_an_alive_counter_bears_no_more_than_its_largest_step():
    assert left(51_200_000, most=2).losses == 2
    assert left(51_200_000, most=9).losses == 4


def test_no_frame_is_shorter_than_one_without_stuff_bits():
    for frame in (Frame(0x555, b"\x55" * 8), Frame(0x2AA), Frame(0x15555555, b"\xaa", True)):
        assert length_bits(frame) >= shortest_bits(len(frame.data), frame.extended)
    assert length_bits(Frame(0x123, remote=True, dlc=2)) == shortest_bits(0, extended=False)


def test_the_most_impatient_receiver_counts():
    watches = (Watch("lamp", 100 * MS, None), Watch("horn", 35 * MS, None))
    bound = analyse(plan(message("A", 1, watches=watches))).bounds[0]
    assert (bound.patience.who, bound.patience.losses) == ("horn", 2)


def test_a_message_that_goes_stale_by_itself_is_late_although_it_meets_its_deadline():
    bound = analyse(plan(message("A", 1, watches=(Watch("lamp", 10 * MS, None),)))).bounds[0]
    assert bound.slack_ns > 0
    assert bound.patience.losses is None
    assert bound.late
