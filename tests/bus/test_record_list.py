"""A list of records reads as a plain list does, however compactly it is kept."""

from __future__ import annotations

import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.bus import BusRecord, Frame, RecordList
from linkloss.bus import record_list as module

FRAME = Frame(0x202, b"\x01\x02")
OTHER = Frame(0x202, b"\x01\x03")
PERIOD_NS, LENGTH_NS = 388_000, 292_000


def attempt(start_ns, sender="rear", frame=FRAME, error="ack", length_ns=LENGTH_NS, **more):
    return BusRecord(start_ns, start_ns + length_ns, sender, frame, error=error, **more)


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch):
    monkeypatch.setattr(module, "BLOCK", 8)


steps = st.tuples(
    st.sampled_from(["rear", "front"]),
    st.sampled_from([FRAME, OTHER]),
    st.sampled_from(["ack", "ack", "ack", None, "disturbed"]),
    st.sampled_from([PERIOD_NS, PERIOD_NS, PERIOD_NS, PERIOD_NS + 4000, 0]),
    st.sampled_from([(), (), ("dash",)]),
    st.integers(1, 12),
)


@st.composite
def records(draw):
    """Stretches of attempts, each after its own time, some of two senders shuffled together."""
    found, now_ns = [], 0
    for sender, frame, error, period_ns, receivers, number in draw(st.lists(steps, max_size=8)):
        for _ in range(number):
            now_ns += period_ns
            found.append(attempt(now_ns, sender, frame, error, receivers=receivers))
    if draw(st.booleans()):
        found = draw(st.permutations(found))
    return found


@given(records(), st.data())
def test_it_reads_as_the_plain_list_from_every_side(plain, data):
    kept = RecordList(plain)
    assert list(kept) == plain
    assert list(reversed(kept)) == plain[::-1]
    assert len(kept) == len(plain)
    assert kept == plain
    places = st.integers(-len(plain) - 2, len(plain) + 2)
    low, high, step = data.draw(places), data.draw(places), data.draw(st.sampled_from([1, 2, -1]))
    assert kept[low:high:step] == plain[low:high:step]
    assert [kept[place] for place in range(len(plain))] == plain
    with pytest.raises(IndexError):
        kept[len(plain)]
    taken = [record for record in plain if record.error is None or record.receivers]
    assert list(kept.delivered()) == taken
    place = data.draw(st.integers(0, len(plain)))
    assert list(kept.delivered(place)) == [
        record for record in plain[place:] if record.error is None or record.receivers
    ]


@given(records(), st.data())
def test_a_copy_that_gets_what_is_new_keeps_up_and_the_two_grow_apart(plain, data):
    cuts = sorted(data.draw(st.lists(st.integers(0, len(plain)), max_size=4)))
    source, copy, known = RecordList(), RecordList(), 0
    for cut in [*cuts, len(plain)]:
        source.extend(plain[known:cut])
        copy.join(pickle.loads(pickle.dumps(source.since(known))))
        known = cut
        assert copy == source == plain[:cut]
    alone = source.since(0)
    source.extend(plain)
    assert alone == plain
    assert source == plain + plain


def test_a_node_that_nobody_hears_takes_one_entry_in_a_block():
    kept = RecordList(attempt(place * PERIOD_NS) for place in range(80))
    assert len(kept) == 80
    assert kept.entries == 10


def test_what_differs_in_anything_is_no_repetition():
    for other in (
        attempt(PERIOD_NS, frame=OTHER),
        attempt(PERIOD_NS, error="disturbed"),
        attempt(PERIOD_NS, length_ns=LENGTH_NS + 4000),
        attempt(PERIOD_NS, sender="front"),
        attempt(PERIOD_NS, receivers=("dash",)),
        attempt(PERIOD_NS, rivals=("dash",)),
        attempt(PERIOD_NS, error=None),
    ):
        assert RecordList([attempt(0), other]).entries == 2
    assert RecordList([attempt(0), attempt(PERIOD_NS)]).entries == 1
    third = [attempt(0), attempt(PERIOD_NS), attempt(2 * PERIOD_NS + 1)]
    assert RecordList(third).entries == 2
