"""A frame is a checked value; its fast length agrees with its bits."""

from __future__ import annotations

import copy
import dataclasses
import pickle

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkloss.bus.bits import stuffed
from linkloss.bus.frame import Frame, arbitration_word, bits, crc15, length_bits, longest_bits


def frames():
    def build(extended, remote, identifier, data, dlc):
        identifier &= 0x1FFF_FFFF if extended else 0x7FF
        return (
            Frame(identifier, b"", extended, True, dlc)
            if remote
            else Frame(identifier, data, extended)
        )

    # runs of equal bits are what makes stuffing interesting, so they are made likely
    byte = st.sampled_from([0x00, 0xFF, 0x0F, 0xF0, 0x1F, 0x3C]) | st.integers(0, 255)
    return st.builds(
        build,
        st.booleans(),
        st.booleans(),
        st.integers(0, 0x1FFF_FFFF) | st.sampled_from([0, 0x7FF, 0x1FFF_FFFF, 0x078]),
        st.lists(byte, max_size=8).map(bytes),
        st.integers(0, 15),
    )


@given(frames())
@settings(max_examples=300, deadline=None)
def test_fast_length_is_the_length_of_the_bit_string(frame):
    assert length_bits(frame) == len(bits(frame))


@given(frames())
@settings(max_examples=100, deadline=None)
def test_no_six_equal_bits_stand_in_the_stuffed_part(frame):
    part = bits(frame)[:-10]
    assert "000000" not in part
    assert "111111" not in part


@given(frames(), frames())
@settings(max_examples=200, deadline=None)
def test_the_arbitration_word_orders_frames_as_their_bits_do(one, other):
    if arbitration_word(one) == arbitration_word(other):
        return
    # on a wired-AND the first differing bit decides, and dominant is 0
    assert (arbitration_word(one) < arbitration_word(other)) == (bits(one) < bits(other))


@given(frames())
@settings(max_examples=50, deadline=None)
def test_a_frame_survives_copying_and_pickling(frame):
    assert copy.deepcopy(frame) == frame
    assert pickle.loads(pickle.dumps(frame)) == frame
    assert hash(pickle.loads(pickle.dumps(frame))) == hash(frame)


def test_frames_compare_by_value():
    assert Frame(0x123, b"\x01") == Frame(0x123, bytearray(b"\x01"))
    assert Frame(0x123) != Frame(0x123, extended=True)
    assert Frame(0x123, remote=True, dlc=2) != Frame(0x123, remote=True)
    assert len({Frame(1), Frame(1), Frame(2)}) == 2


def test_a_frame_can_be_derived_from_another():
    frame = dataclasses.replace(Frame(0x18DAF110, b"\x01", extended=True), data=b"\x02")
    assert frame == Frame(0x18DAF110, b"\x02", extended=True)
    with pytest.raises(ValueError, match="DLC 1 goes with 1 bytes of data, not 2"):
        dataclasses.replace(frame, data=b"\x01\x02")


def test_a_frame_cannot_be_changed():
    with pytest.raises(AttributeError):
        Frame(0x123).identifier = 0x124


def test_fields_have_plain_types_whatever_was_given():
    frame = Frame(0x10, b"", 1, 0)
    assert frame.extended is True
    assert frame.remote is False
    assert frame.dlc == 0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0x800,), r"a base identifier is 0x0 to 0x7FF, not 0x800"),
        ((-1,), r"a base identifier is 0x0 to 0x7FF, not -0x1"),
        ((0x2000_0000, b"", True), r"an extended identifier is 0x0 to 0x1FFFFFFF"),
        (("123",), r"an identifier is a whole number, not '123'"),
        ((1, bytes(9)), r"up to 8 bytes, not 9"),
        ((1, bytes(16)), r"0 to 15, not 16"),
        ((1, "text"), r"data is bytes"),
        ((1, b"\x01", False, True), r"a remote frame carries no data"),
        ((1, b"", False, True, 16), r"0 to 15, not 16"),
        ((1, b"\x01", False, False, 2), r"DLC 2 goes with 2 bytes of data, not 1"),
        ((1, bytes(7), False, False, 9), r"DLC 9 goes with 8 bytes of data, not 7"),
    ],
)
def test_a_wrong_field_is_refused_with_the_reason(arguments, message):
    with pytest.raises(ValueError, match=message):
        Frame(*arguments)


def test_dlc_above_eight_goes_with_eight_bytes_and_shows_on_the_bus():
    plain, long = Frame(1, bytes(8)), Frame(1, bytes(8), dlc=15)
    assert long.dlc == 15
    assert bits(plain) != bits(long)


def test_text_of_a_frame():
    assert str(Frame(0x123, b"\xde\xad")) == "123#DEAD"
    assert str(Frame(0x123, extended=True, remote=True, dlc=2)) == "00000123#R2"


def test_a_stuff_bit_starts_a_new_run():
    assert stuffed("0000011111") == "000001111101"


def test_the_crc_covers_the_unstuffed_content():
    # leading dominant bits change nothing in a register that starts at zero
    assert crc15(Frame(0)) == 0


def test_longest_bits_refuses_an_impossible_dlc():
    with pytest.raises(ValueError, match="0 to 15, not 16"):
        longest_bits(16)
