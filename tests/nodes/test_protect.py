"""Counter and checksum on the node's side, held against the bench's own reading of the DBC."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.vehicle.messages import compile_message
from linkloss_nodes.fields import Field
from linkloss_nodes.protect import Protection, Sequence


@given(count=st.integers(0, 15), payload=st.binary(min_size=4, max_size=4))
def test_what_a_node_seals_the_bench_finds_good(messages, count, payload):
    definition = messages.get_message_by_name("LampRequest")
    data = bytearray(payload)
    Protection(definition).seal(data, count)
    info, _ = compile_message(definition)
    assert info.checksum is not None
    assert info.checksum(bytes(data))
    assert info.counter is not None
    assert info.counter.raw(bytes(data)) == count


@given(payload=st.binary(min_size=4, max_size=4), bit=st.integers(0, 31))
def test_a_flipped_bit_is_not_intact(messages, payload, bit):
    protection = Protection(messages.get_message_by_name("LampRequest"))
    data = bytearray(payload)
    protection.seal(data, 3)
    assert protection.intact(bytes(data))
    data[bit // 8] ^= 1 << bit % 8
    assert not protection.intact(bytes(data))


def test_a_short_message_is_not_intact(messages):
    protection = Protection(messages.get_message_by_name("LampRequest"))
    data = bytearray(4)
    protection.seal(data, 0)
    assert not protection.intact(bytes(data[:3]))
    assert not protection.intact(b"")


def test_the_same_content_under_another_identifier_is_not_intact(messages):
    front = Protection(messages.get_message_by_name("FrontStatus"))
    rear = Protection(messages.get_message_by_name("RearStatus"))
    data = bytearray(4)
    front.seal(data, 0)
    assert not rear.intact(bytes(data))


def test_content_ignores_counter_and_checksum(messages):
    protection = Protection(messages.get_message_by_name("LampRequest"))
    one, two, other = bytearray(4), bytearray(4), bytearray(b"\0\x10\0\0")
    for count, data in enumerate((one, two, other)):
        protection.seal(data, count)
    assert one != two
    assert protection.content(bytes(one)) == protection.content(bytes(two))
    assert protection.content(bytes(one)) != protection.content(bytes(other))


@pytest.mark.parametrize(
    "counts, good",
    [
        ([7], [True]),
        ([7, 8, 9], [True, True, True]),
        ([15, 0], [True, True]),
        ([4, 4], [True, False]),
        ([4, 9], [True, True]),
        ([4, 10], [True, False]),
        ([4, 3], [True, False]),
        ([4, 10, 5], [True, False, True]),
        ([14, 3], [True, True]),
    ],
)
def test_a_counter_moves_by_one_to_five(counts, good):
    sequence = Sequence(16, 5)
    assert [sequence.accept(count) for count in counts] == good


def test_after_a_silence_any_count_is_right():
    sequence = Sequence(16, 5)
    sequence.accept(4)
    sequence.forget()
    assert sequence.accept(4)


def test_a_repeat_is_never_right_however_large_the_step():
    sequence = Sequence(16, 100)
    assert [sequence.accept(count) for count in (4, 4, 3)] == [True, False, True]


@given(raw=st.integers(0, 65535), rest=st.binary(min_size=5, max_size=5))
def test_a_field_is_read_back_as_written_and_touches_nothing_else(messages, raw, rest):
    definition = messages.get_message_by_name("EngineData")
    fields = {signal.name: Field(signal) for signal in definition.signals}
    data = bytearray(rest)
    before = {name: field.get(bytes(data)) for name, field in fields.items()}
    fields["Speed"].put(data, raw)
    after = {name: field.get(bytes(data)) for name, field in fields.items()}
    assert after == before | {"Speed": raw}


@given(payload=st.binary(min_size=5, max_size=5))
def test_fields_read_what_the_decoder_of_the_library_reads(messages, payload):
    definition = messages.get_message_by_name("EngineData")
    expected = definition.decode(payload, decode_choices=False)
    for signal in definition.signals:
        field = Field(signal)
        assert field.physical(field.get(payload)) == pytest.approx(expected[signal.name])


def test_a_value_out_of_range_becomes_the_nearest_that_fits(messages):
    signals = {entry.name: entry for entry in messages.get_message_by_name("EngineData").signals}
    temperature = Field(signals["CoolantTemperature"])
    assert temperature.raw(-100) == 0
    assert temperature.raw(90) == 130
    assert temperature.raw(1000) == 255
