"""The bench's own readers of signals against cantools, and how a message protects its content."""

from __future__ import annotations

from functools import reduce
from operator import xor

import pytest
from cantools.database.can import Message, Signal
from cantools.database.conversion import BaseConversion
from crccheck.crc import Crc8SaeJ1850
from hypothesis import given
from hypothesis import strategies as st

from linkloss.problem import BadInput
from linkloss.vehicle.dbc import read_dbc
from linkloss.vehicle.messages import compile_message, crc8


@st.composite
def signals(draw) -> tuple[Message, bytes]:
    """A message of one signal somewhere in it, and a payload."""
    length = draw(st.integers(1, 8))
    bits = draw(st.integers(1, min(64, 8 * length)))
    order = draw(st.sampled_from(["little_endian", "big_endian"]))
    first = draw(st.integers(0, 8 * length - bits))
    # A big-endian signal is named by its most significant bit, bit 7 of its byte coming first.
    start = first if order == "little_endian" else 8 * (first // 8) + 7 - first % 8
    signal = Signal(
        "S",
        start,
        bits,
        byte_order=order,
        is_signed=draw(st.booleans()),
        conversion=BaseConversion.factory(scale=draw(st.sampled_from([1, 2, 0.5, -3])), offset=7),
    )
    message = Message(0x100, "M", length, [signal], strict=True)
    return message, draw(st.binary(min_size=length, max_size=length))


@given(signals())
def test_a_raw_value_is_the_one_that_cantools_reads(given):
    message, data = given
    signal = compile_message(message)[0].signals["S"]
    assert signal.raw(data) == message.decode(data, scaling=False)["S"]


@given(signals())
def test_a_physical_value_is_the_one_that_cantools_reads(given):
    message, data = given
    signal = compile_message(message)[0].signals["S"]
    assert signal.physical(data) == pytest.approx(message.decode(data)["S"])


@given(signals(), st.integers())
def test_a_value_that_cantools_writes_is_read_back(given, number):
    message, _ = given
    (signal,) = message.signals
    low = -(1 << signal.length - 1) if signal.is_signed else 0
    value = low + number % (1 << signal.length)
    data = message.encode({"S": value}, scaling=False, strict=False)
    assert compile_message(message)[0].signals["S"].raw(data) == value


DBC = """VERSION ""

NS_ :

BS_:

BU_: dash

BO_ 291 Request: 4 dash
 SG_ Lamp : 0|8@1+ (1,0) [0|1] "" dash
 SG_ Counter : 8|4@1+ (1,0) [0|15] "" dash
 SG_ Checksum : {place} (1,0) [0|255] "" dash
 SG_ Level : 24|8@1- (0.5,10) [0|1] "V" dash

BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_ BO_ "ChecksumKind" STRING;
BA_DEF_ SG_ "LinkRole" ENUM "payload","counter","checksum";
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "ChecksumKind" "";
BA_DEF_DEF_ "LinkRole" "payload";
BA_ "GenMsgCycleTime" BO_ 291 50;
BA_ "LinkRole" SG_ 291 Checksum 2;
{more}
VAL_ 291 Lamp 0 "dark" 1 "lit" ;
"""
COUNTER = 'BA_ "LinkRole" SG_ 291 Counter 1;'


def compiled(tmp_path, more=COUNTER, place="16|8@1+"):
    path = tmp_path / "made.dbc"
    path.write_text(DBC.format(place=place, more=more))
    return read_dbc(path).messages["Request"]


def told(tmp_path, more=COUNTER, place="16|8@1+") -> list[str]:
    """What is wrong with the message, as ``line: message: text``."""
    path = tmp_path / "made.dbc"
    path.write_text(DBC.format(place=place, more=more))
    return [f"{flaw.line}: {flaw.where}: {flaw.text}" for flaw in read_dbc(path).flaws]


def test_a_message_as_the_bench_sees_it(tmp_path):
    message = compiled(tmp_path)
    assert (message.identifier, message.extended, message.length) == (291, False, 4)
    assert message.senders == ("dash",)
    assert message.period_ns == 50_000_000
    assert message.counter is message.signals["Counter"]
    assert message.counter.length_bits == 4
    assert message.signals["Lamp"].choices == {0: "dark", 1: "lit"}
    assert message.signals["Level"].physical(bytes([0, 0, 0, 0xFE])) == 9.0


SUMS = {
    "": Crc8SaeJ1850.calc,
    "crc8": Crc8SaeJ1850.calc,
    "xor": lambda data: reduce(xor, data, 0),
    "sum": lambda data: sum(data) % 256,
}


@pytest.mark.parametrize("kind", SUMS)
@pytest.mark.parametrize("place", ["16|8@1+", "23|8@0+"])
def test_a_checksum_covers_identifier_and_content_but_not_itself(tmp_path, kind, place):
    more = COUNTER + (f'\nBA_ "ChecksumKind" BO_ 291 "{kind}";' if kind else "")
    right = compiled(tmp_path, more, place).checksum
    data = bytearray([1, 5, 0, 0x80])
    data[2] = SUMS[kind](bytes([0x01, 0x23, 1, 5, 0x80]))
    assert right(bytes(data))
    for bit in range(32):
        hurt = bytearray(data)
        hurt[bit // 8] ^= 1 << bit % 8
        assert not right(bytes(hurt))


def test_an_extended_identifier_counts_with_four_bytes(tmp_path):
    path = tmp_path / "made.dbc"
    text = DBC.format(place="16|8@1+", more=COUNTER).replace("291", str(0x80000000 | 0x1ABCDE01))
    path.write_text(text)
    message = read_dbc(path).messages["Request"]
    assert (message.identifier, message.extended) == (0x1ABCDE01, True)
    value = crc8(bytes([0x1A, 0xBC, 0xDE, 0x01, 1, 2, 3]))
    assert message.checksum(bytes([1, 2, value, 3]))


def test_a_message_without_roles_is_not_protected(tmp_path):
    message = compiled(tmp_path, 'BA_ "LinkRole" SG_ 291 Checksum 0;')
    assert message.counter is None
    assert message.checksum is None


def test_two_counters_are_none(tmp_path):
    more = COUNTER + '\nBA_ "LinkRole" SG_ 291 Lamp 1;'
    text = "9: message Request: several signals are its counter: Lamp, Counter"
    assert told(tmp_path, more) == [text]
    assert compiled(tmp_path, more).counter is None


def test_an_unknown_checksum_is_none(tmp_path):
    more = 'BA_ "ChecksumKind" BO_ 291 "crc9";'
    text = "unknown ChecksumKind 'crc9'; expected one of: crc8, xor, sum"
    assert told(tmp_path, more) == [f"9: message Request: {text}"]
    assert compiled(tmp_path, more).checksum is None


@pytest.mark.parametrize("place", ["16|7@1+", "17|7@1+", "12|8@1+", "22|7@0+"])
def test_a_checksum_that_fills_no_byte_is_none(tmp_path, place):
    text = "9: message Request: signal Checksum: a checksum fills one whole byte"
    assert text in told(tmp_path, place=place)
    assert compiled(tmp_path, place=place).checksum is None


def test_a_file_that_is_no_dbc_is_refused_in_one_line(tmp_path):
    path = tmp_path / "made.dbc"
    path.write_text("Lamp\n")
    with pytest.raises(BadInput) as caught:
        read_dbc(path)
    assert str(caught.value).startswith(f"{path}:1: this is no valid DBC: ")
    assert "\n" not in str(caught.value)


def test_a_cycle_time_of_zero_is_none_at_all(tmp_path):
    path = tmp_path / "made.dbc"
    text = DBC.format(place="16|8@1+", more=COUNTER)
    path.write_text(text.replace('BA_ "GenMsgCycleTime" BO_ 291 50;', ""))
    assert read_dbc(path).messages["Request"].period_ns is None


def test_a_file_that_is_missing(tmp_path):
    with pytest.raises(BadInput, match="there is no such file; expected a DBC file"):
        read_dbc(tmp_path / "none.dbc")
