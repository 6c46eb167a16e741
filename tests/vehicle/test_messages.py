"""The bench's own readers of signals against cantools, and how a message protects its content."""

from __future__ import annotations

from functools import reduce
from operator import xor

import pytest
from cantools.database import Database
from cantools.database.can import Message, Signal
from cantools.database.conversion import BaseConversion
from crccheck.crc import Crc8SaeJ1850
from hypothesis import given
from hypothesis import strategies as st

from linkloss.problem import BadInput
from linkloss.vehicle.messages import compile_messages, crc8, load_database


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
    signal = compile_messages(Database([message]), "x")["M"].signals["S"]
    assert signal.raw(data) == message.decode(data, scaling=False)["S"]


@given(signals())
def test_a_physical_value_is_the_one_that_cantools_reads(given):
    message, data = given
    signal = compile_messages(Database([message]), "x")["M"].signals["S"]
    assert signal.physical(data) == pytest.approx(message.decode(data)["S"])


@given(signals(), st.integers())
def test_a_value_that_cantools_writes_is_read_back(given, number):
    message, _ = given
    (signal,) = message.signals
    low = -(1 << signal.length - 1) if signal.is_signed else 0
    value = low + number % (1 << signal.length)
    data = message.encode({"S": value}, scaling=False, strict=False)
    assert compile_messages(Database([message]), "x")["M"].signals["S"].raw(data) == value


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
    return compile_messages(load_database(path), path)["Request"]


def refused(tmp_path, more=COUNTER, place="16|8@1+") -> str:
    with pytest.raises(BadInput) as caught:
        compiled(tmp_path, more, place)
    return str(caught.value).removeprefix(f"{tmp_path / 'made.dbc'}: ")


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
    message = compile_messages(load_database(path), path)["Request"]
    assert (message.identifier, message.extended) == (0x1ABCDE01, True)
    value = crc8(bytes([0x1A, 0xBC, 0xDE, 0x01, 1, 2, 3]))
    assert message.checksum(bytes([1, 2, value, 3]))


def test_a_message_without_roles_is_not_protected(tmp_path):
    message = compiled(tmp_path, 'BA_ "LinkRole" SG_ 291 Checksum 0;')
    assert message.counter is None
    assert message.checksum is None


def test_two_counters_are_refused(tmp_path):
    text = refused(tmp_path, COUNTER + '\nBA_ "LinkRole" SG_ 291 Lamp 1;')
    assert text == "Request: several signals are its counter: Lamp, Counter"


def test_an_unknown_checksum_is_refused(tmp_path):
    assert refused(tmp_path, 'BA_ "ChecksumKind" BO_ 291 "crc9";') == (
        "Request: unknown ChecksumKind 'crc9'; expected one of: crc8, xor, sum"
    )


@pytest.mark.parametrize("place", ["16|7@1+", "17|7@1+", "12|8@1+", "22|7@0+"])
def test_a_checksum_that_fills_no_byte_is_refused(tmp_path, place):
    more = COUNTER if place != "12|8@1+" else ""
    text = refused(tmp_path, more, place)
    assert text == "Request.Checksum: a checksum fills one whole byte"


def test_a_file_that_is_no_dbc_is_refused_in_one_line(tmp_path):
    path = tmp_path / "made.dbc"
    path.write_text("BO_ 1 Lamp\n")
    with pytest.raises(BadInput) as caught:
        load_database(path)
    assert str(caught.value).startswith(f"{path}: this is no valid DBC: ")
    assert "\n" not in str(caught.value)


def test_signals_that_overlap_are_refused(tmp_path):
    path = tmp_path / "made.dbc"
    path.write_text(DBC.format(place="8|8@1+", more=COUNTER))
    with pytest.raises(BadInput, match="overlapping"):
        load_database(path)


def test_a_cycle_time_of_zero_is_none_at_all(tmp_path):
    path = tmp_path / "made.dbc"
    text = DBC.format(place="16|8@1+", more=COUNTER)
    path.write_text(text.replace('BA_ "GenMsgCycleTime" BO_ 291 50;', ""))
    assert compile_messages(load_database(path), path)["Request"].period_ns is None


def test_a_file_that_is_missing(tmp_path):
    with pytest.raises(BadInput, match="there is no such file; expected a DBC file"):
        load_database(tmp_path / "none.dbc")


def test_a_signal_before_the_first_bit_is_refused_however_lenient(tmp_path):
    dbc = tmp_path / "x.dbc"
    text = 'VERSION ""\nBU_: a\nBO_ 1 M: 8 a\n SG_ S :-8|4@1+ (1,0) [0|1] "" a\n'
    dbc.write_text(text)
    with pytest.raises(BadInput, match="message M, signal S: starts at bit -8; expected 0 or more"):
        load_database(dbc, strict=False)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("BO_ 1 M: 8 a\n SG_ S : 80000000|4@1+", "x.dbc:4: signal S: 4 bits from bit 80000000 on"),
        (
            "BO_ 1 M: 8 a\n SG_ S m1 : 0|900000000@1+",
            "x.dbc:4: signal S: 900000000 bits from bit 0",
        ),
        ("BO_ 1 M: 90000000 a\n SG_ S : 0|4@1+", "x.dbc:3: message M: 90000000 bytes; expected"),
    ],
)
def test_a_number_with_too_many_digits_costs_neither_time_nor_memory(tmp_path, text, told):
    dbc = tmp_path / "x.dbc"
    dbc.write_text(f'VERSION ""\nBU_: a\n{text} (1,0) [0|1] "" a\n')
    with pytest.raises(BadInput, match=told):
        load_database(dbc, strict=False)
