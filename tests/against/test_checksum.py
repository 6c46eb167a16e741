"""CRC-8 of SAE J1850 against published vectors and an independent library.

The vectors are those of the CRC library tests of the published E2E protection libraries.
"""

from __future__ import annotations

import pytest
from crccheck.crc import Crc8SaeJ1850
from hypothesis import given
from hypothesis import strategies as st

from linkloss.vehicle import messages
from linkloss_nodes import protect

VECTORS = [
    ("00 00 00 00", 0x59),
    ("F2 01 83", 0x37),
    ("0F AA 00 55", 0x79),
    ("00 FF 55 11", 0xB8),
    ("33 22 55 AA BB CC DD EE FF", 0xCB),
    ("92 6B 55", 0x8C),
    ("FF FF FF FF", 0x74),
    ("00 C0 DF AC AA 07 40", 0x6C),
]


@pytest.mark.parametrize("crc8", [protect.crc8, messages.crc8], ids=["node", "bench"])
@pytest.mark.parametrize("text, value", VECTORS)
def test_published_vectors(crc8, text, value):
    assert crc8(bytes.fromhex(text)) == value


@pytest.mark.parametrize("crc8", [protect.crc8, messages.crc8], ids=["node", "bench"])
def test_the_check_value_of_the_catalogue(crc8):
    assert crc8(b"123456789") == 0x4B


@pytest.mark.parametrize("crc8", [protect.crc8, messages.crc8], ids=["node", "bench"])
def test_data_with_its_checksum_gives_the_magic_check(crc8):
    data = b"123456789"
    assert crc8(data + bytes([crc8(data)])) ^ 0xFF == 0xC4


@given(st.binary(max_size=64))
def test_node_bench_and_crccheck_agree(data):
    assert protect.crc8(data) == messages.crc8(data) == Crc8SaeJ1850.calc(data)


@given(st.binary(min_size=1, max_size=10), st.data())
def test_it_can_be_worked_out_in_two_parts(data, draw):
    cut = draw.draw(st.integers(0, len(data)))
    first = protect.crc8(data[:cut]) ^ 0xFF
    assert protect.crc8(data[cut:], first) == protect.crc8(data)


@given(st.binary(min_size=2, max_size=8), st.data())
def test_every_single_bit_error_is_found(data, draw):
    bit = draw.draw(st.integers(0, 8 * len(data) - 1))
    hurt = bytearray(data)
    hurt[bit // 8] ^= 1 << bit % 8
    assert protect.crc8(hurt) != protect.crc8(data)
