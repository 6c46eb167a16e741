"""The mask of an altered payload hits the lowest bit of each payload signal and nothing else."""

from __future__ import annotations

import cantools
from hypothesis import given
from hypothesis import strategies as st

from linkloss.faults.frame_faults import toggled_bits


@st.composite
def layouts(draw):
    """A message of non-overlapping signals in either byte order, as (start, length, order)."""
    order = draw(st.sampled_from([0, 1]))
    position, found = 0, []
    while position < 60:
        length = draw(st.integers(1, 12))
        position += draw(st.integers(0, 5))
        if position + length > 64:
            break
        start = position if order == 1 else 8 * (position // 8) + 7 - position % 8
        found.append((start, length, order))
        position += length
    return found


@given(layouts(), st.binary(min_size=8, max_size=8))
def test_every_signal_changes_by_its_lowest_bit(signals, data):
    lines = ['VERSION ""', "BU_: a", "BO_ 1 M: 8 a"]
    for index, (start, length, order) in enumerate(signals):
        lines.append(f' SG_ S{index} : {start}|{length}@{order}+ (1,0) [0|0] "" a')
    message = cantools.database.load_string("\n".join(lines) + "\n", "dbc").messages[0]
    mask = toggled_bits(message)
    changed = bytes(a ^ b for a, b in zip(data, mask, strict=True))
    before = message.decode(data, decode_choices=False)
    after = message.decode(changed, decode_choices=False)
    assert {name: value ^ 1 for name, value in before.items()} == after
    assert sum(byte.bit_count() for byte in mask) == len(signals)
