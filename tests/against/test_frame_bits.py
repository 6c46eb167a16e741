"""Frame bits against the published layout and an independent CRC.

Layout, stuffing and CRC: Bosch CAN Specification 2.0, part A section 3.1.1 and part B section 3.
The vectors were computed from that text; 0x123/DEADBEEF is bit-identical to what an open hardware
CAN controller core transmits in simulation. CRC: crccheck's Crc15Can (the catalogue's CRC-15/CAN).
"""

from __future__ import annotations

import pytest
from crccheck.crc import Crc15Can
from hypothesis import given, settings
from hypothesis import strategies as st

from linkloss.bus.frame import Frame, bits, crc15, length_bits

VECTORS = [
    # frame, CRC-15, stuff bits, SOF..EOF bits
    (Frame(0x123, bytes.fromhex("DEADBEEF")), 0x4E6B, 2, 78),
    (Frame(0x18DAF110, bytes.fromhex("0201"), extended=True), 0x34E5, 3, 83),
    (Frame(0x123, remote=True), 0x1B9D, 1, 45),
    (Frame(0x7EF), 0x5ED0, 2, 46),
    (Frame(0x123, remote=True, dlc=2), 0x5536, 0, 44),
    (Frame(0x123, remote=True, dlc=8), 0x6F9A, 1, 45),
    (Frame(0x000), 0x0000, 6, 50),
    (Frame(0x014, b"\x01"), 0x7753, 3, 55),
    (Frame(0x555, b"\x55" * 8), 0x1B04, 1, 109),
    (Frame(0x7FF, b"\xff" * 8), 0x4C89, 15, 123),
    (Frame(0x000, bytes(8)), 0x145B, 16, 124),
    (Frame(0x001, bytes(8)), 0x1F40, 17, 125),
    (Frame(0, extended=True), 0x4610, 7, 71),
    (Frame(0, bytes(8), extended=True), 0x3DAF, 19, 147),
    (Frame(0x1FFFFFFF, b"\xff" * 8, extended=True), 0x1B69, 18, 146),
]


@pytest.mark.parametrize(("frame", "crc", "stuff_bits", "length"), VECTORS, ids=str)
def test_vector(frame, crc, stuff_bits, length):
    assert crc15(frame) == crc
    assert length_bits(frame) == len(bits(frame)) == length
    unstuffed = (64 if frame.extended else 44) + 8 * len(frame.data)
    assert length - unstuffed == stuff_bits


def test_the_bit_string_that_a_hardware_controller_transmits():
    assert bits(Frame(0x123, bytes.fromhex("DEADBEEF"))) == (
        "000100100011000010011011110101011011011111001110111110001110011010111011111111"
    )


def destuffed(part: str) -> str:
    """Written apart from the code under test: drop the bit after five equal ones."""
    out, index = "", 0
    run = ""
    while index < len(part):
        bit = part[index]
        run = run + bit if run.endswith(bit) else bit
        out += bit
        index += 1
        if len(run) == 5:
            assert index == len(part) or part[index] != bit
            run = part[index : index + 1]
            index += 1
    return out


@given(
    st.integers(0, 0x1FFF_FFFF),
    st.lists(st.sampled_from([0, 255]) | st.integers(0, 255), max_size=8).map(bytes),
    st.booleans(),
)
@settings(max_examples=200, deadline=None)
def test_crc_agrees_with_an_independent_implementation(identifier, data, extended):
    frame = Frame(identifier if extended else identifier & 0x7FF, data, extended)
    content = destuffed(bits(frame)[:-10])
    body, crc = content[:-15], content[-15:]
    assert len(body) == (39 if extended else 19) + 8 * len(data)
    expected = Crc15Can.calc(int(body, 2).to_bytes((len(body) + 7) // 8, "big"))
    assert crc15(frame) == int(crc, 2) == expected


def test_catalogue_check_value_of_the_oracle():
    # CRC RevEng catalogue: CRC-15/CAN, check("123456789") = 0x059E
    assert Crc15Can.calc(b"123456789") == 0x059E
