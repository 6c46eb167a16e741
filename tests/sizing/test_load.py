"""Bus load with typical and with the most stuff bits."""

from __future__ import annotations

from itertools import product
from random import Random

import pytest
from plan_values import message

from linkloss.bus.bits import state_after, stuffed
from linkloss.bus.frame import Frame, length_bits, longest_bits
from linkloss.sizing.analysis import expected_stuff_bits, load_of, typical_bits


@pytest.mark.parametrize("before", ["0", "1", "00", "0000", "01", "0111", "1111"])
@pytest.mark.parametrize("tosses", [0, 1, 5, 9])
def test_the_mean_over_all_rows_of_tosses(before, tosses):
    rows = ["".join(row) for row in product("01", repeat=tosses)]
    added = [len(stuffed(before + row)) - len(before) - tosses for row in rows]
    assert expected_stuff_bits(state_after(before), tosses) == pytest.approx(
        sum(added) / len(added)
    )


@pytest.mark.parametrize(("identifier", "extended"), [(0x123, False), (0x18DAF110, True)])
def test_typical_is_the_mean_length_of_frames_with_random_content(identifier, extended):
    random = Random(1)
    lengths = [
        length_bits(Frame(identifier, random.randbytes(8), extended)) + 3 for _ in range(3_000)
    ]
    mean = sum(lengths) / len(lengths)
    assert typical_bits(identifier, 8, extended) == pytest.approx(mean, abs=0.15)
    assert typical_bits(identifier, 8, extended) < longest_bits(8, extended)


def test_load_counts_periods_and_shortest_gaps_apart():
    found = load_of([message("A", 1, period_ms=10, shortest_ms=5)], 125_000)
    assert found.worst == pytest.approx(0.108)
    assert found.bursts == pytest.approx(0.216)
    assert 0 < found.typical < found.worst
    assert found.left_out == ()


def test_what_has_no_period_is_left_out_by_name():
    found = load_of([message("A", 1), message("B", 2, period_ms=None)], 125_000)
    assert found.left_out == ("B",)
    assert found.worst == pytest.approx(0.108)
