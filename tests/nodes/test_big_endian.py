"""Messages of other cars: big-endian, signed, extended, unprotected; checked against cantools."""

from __future__ import annotations

import cantools
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss_nodes.fields import Field
from linkloss_nodes.protect import Protection

TEXT = """VERSION ""
BU_: a b
BO_ 2566844926 Far: 8 a
 SG_ Plain : 3|4@0+ (1,0) [0|0] "" b
 SG_ Signed : 15|12@0- (0.5,-3) [0|0] "" b
 SG_ Little : 28|13@1- (1,0) [0|0] "" b
 SG_ Sum : 55|8@0+ (1,0) [0|0] "" b
BO_ 5 Bare: 1 a
 SG_ On : 0|1@1+ (1,0) [0|0] "" b
BA_DEF_ SG_ "LinkRole" ENUM "payload","counter","checksum";
BA_DEF_ BO_ "ChecksumKind" ENUM "crc8","xor","sum";
BA_DEF_DEF_ "LinkRole" "payload";
BA_DEF_DEF_ "ChecksumKind" "crc8";
BA_ "LinkRole" SG_ 2566844926 Plain 1;
BA_ "LinkRole" SG_ 2566844926 Sum 2;
BA_ "ChecksumKind" BO_ 2566844926 2;
"""
OTHER = cantools.database.load_string(TEXT, "dbc")


@given(st.binary(min_size=8, max_size=8))
def test_fields_read_what_the_library_reads(payload):
    far = OTHER.get_message_by_name("Far")
    expected = far.decode(payload)
    for signal in far.signals:
        field = Field(signal)
        assert field.physical(field.get(payload)) == pytest.approx(expected[signal.name])


@given(st.binary(min_size=8, max_size=8), st.integers(-2048, 2047))
def test_what_is_put_is_read(payload, raw):
    signals = {entry.name: entry for entry in OTHER.get_message_by_name("Far").signals}
    data = bytearray(payload)
    Field(signals["Signed"]).put(data, raw)
    assert Field(signals["Signed"]).get(bytes(data)) == raw


def test_a_sum_covers_the_four_bytes_of_an_extended_identifier():
    data = bytearray(8)
    Protection(OTHER.get_message_by_name("Far")).seal(data, 2)
    identifier = OTHER.get_message_by_name("Far").frame_id.to_bytes(4, "big")
    assert data[6] == (sum(identifier) + 2) & 0xFF


def test_a_message_without_protection_is_intact_when_its_length_is_right():
    protection = Protection(OTHER.get_message_by_name("Bare"))
    assert protection.intact(b"\x01")
    assert not protection.intact(b"")
    data = bytearray(b"\x01")
    protection.seal(data, 9)
    assert data == b"\x01"
