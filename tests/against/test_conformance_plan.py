"""Received frames (test type 1) after the list of contents of ISO 16845-1:2016, see
conformance_plan.py for what of it was found and what has no test.

Sections and rule numbers in the tests are those of Bosch CAN Specification 2.0, part B, and of its
addendum of 1997; "measured": on an open hardware CAN controller core in simulation, with three
nodes. CAN FD goes by the same rules of errors (from memory), and is put to the same tests.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from conformance_plan import NOT_BUILT, TITLES, numbers_in
from plan_lab import CLASSICAL, FD, Bench, Form, dominant, encoded, stuff_places

from linkloss.bus.frame import FdFrame, Frame, bits, length_bits

FORMS = pytest.mark.parametrize("form", [CLASSICAL, FD], ids=["classical", "FD"])
BASE = [0x000, 0x7EF, 0x555, 0x2AA, 0x7FF]
EXTENDED = [0x00000000, 0x1FFFFFFF, 0x15555555, 0x0AAAAAAA, 0x18DAF110]


def test_every_entry_that_was_found_is_a_test_or_is_named_as_not_built():
    numbers = numbers_in(Path(__file__)) + list(NOT_BUILT)
    assert sorted(numbers) == sorted(TITLES)


# ---- 7.1 valid frame format


def heard_of(form: Form, frames: list[Frame]) -> list[Frame]:
    bench = Bench(form, "ab")
    for frame in frames:
        bench["a"].send(frame)
        bench.run(length_bits(frame) + 20)
    assert bench.errors == [None] * len(frames)
    assert bench.counters() == [(0, 0)] * 2
    return bench.heard("b")


def of_all_sizes(form: Form, identifiers: list[int], *, extended: bool) -> list[Frame]:
    kind, sizes = (FdFrame, [0, 1, 7, 8, 12, 16, 20, 64]) if form.fd else (Frame, range(9))
    return [kind(i, bytes(range(0x9A, 0x9A + n)), extended) for i in identifiers for n in sizes]


@FORMS
def test_7_1_1_identifier_and_number_of_data_in_base_format(form):
    # section 3.1.1: 11 bits, 0 to 8 bytes; FD lengths: dlc2len of an open protocol decoder
    frames = of_all_sizes(form, BASE, extended=False)
    assert heard_of(form, frames) == frames


@FORMS
def test_7_1_2_identifier_and_number_of_data_in_extended_format(form):
    # section 3.1.1: 29 bits
    frames = of_all_sizes(form, EXTENDED, extended=True)
    assert heard_of(form, frames) == frames


@FORMS
@pytest.mark.parametrize("bit", range(11))
def test_7_1_3_reception_after_arbitration_lost(form, bit):
    # section 3.1.1: the loser becomes a receiver, and nothing is counted (measured)
    bench = Bench(form)
    winner = type(form.frame)(0x555 & ~(1 << bit), b"\x12")
    loser = type(form.frame)(0x555 | 1 << bit, b"\x34")
    bench["a"].send(winner)
    bench["b"].send(loser)
    bench.run(400)
    assert (bench.heard("b"), bench.heard("a")) == ([winner], [loser])
    assert bench.heard("c") == [winner, loser]
    assert bench.counters() == [(0, 0)] * 3


def seen_by_b(sent: str, other: str) -> Bench:
    """Node b sees a frame with other bits than those sent, and with the CRC that goes with them."""
    assert len(sent) == len(other)
    bench = Bench(CLASSICAL)
    bench.disturb({k: "b" for k in range(len(sent)) if sent[k] != other[k]})
    return bench


def check_acceptance(kind: dict[str, str], *, extended: bool) -> None:
    found = 0
    for identifier in range(0x2AA, 0x2AA + 60):
        if extended:
            identifier *= 0x40001
        sent = encoded(identifier, b"\xa5", extended=extended)
        other = encoded(identifier, b"\xa5", extended=extended, **kind)
        if len(sent) != len(other):
            continue  # another number of stuff bits: the rest of the frame would be out of step
        found += 1
        frame = Frame(identifier, b"\xa5", extended=extended)
        bench = seen_by_b(sent, other)
        bench["a"].send(frame)
        bench.run(130)
        assert (bench.heard("b"), bench.errors) == ([frame], [None])
        assert bench.counters() == [(0, 0)] * 3
    assert found > 5


def test_7_1_4_acceptance_of_non_nominal_bit_in_base_format_frame():
    # section 3.1.1: receivers accept a recessive r0
    check_acceptance({"reserved": "1"}, extended=False)


@pytest.mark.parametrize(("srr", "reserved"), [("0", "00"), ("1", "01"), ("1", "10"), ("1", "11")])
def test_7_1_5_acceptance_of_non_nominal_bit_in_extended_format_frame(srr, reserved):
    # section 3.1.1 for r1 and r0; the addendum for a dominant SRR
    check_acceptance({"srr": srr, "reserved": reserved}, extended=True)


@pytest.mark.parametrize("dlc", range(9, 16))
def test_7_1_8_dlc_greater_than_8(dlc):
    # addendum: such a code stands for eight bytes
    frame = Frame(0x123, bytes(range(8)), dlc=dlc)
    assert bits(frame) == encoded(0x123, frame.data, dlc=dlc)
    assert heard_of(CLASSICAL, [frame]) == [frame]


@FORMS
@pytest.mark.parametrize("early", [0, 1])
def test_7_1_9_absent_bus_idle_valid_frame_reception(form, early):
    # section 3.1.5: a frame may follow at once, or begin with the third bit of intermission
    bench = Bench(form, "ab")
    bench.disturb(dominant(form.length + 2, form.length + 2) if early else {})
    bench["a"].send(form.frame)
    bench["a"].send(form.other)
    bench.run(400)
    assert bench.starts == [0, form.length + 3 - early]
    assert bench.heard("b") == [form.frame, form.other]


STUFFED = [  # own figures, the CRC checked with another library; the first with a core, too
    (Frame(0x123, bytes.fromhex("DEADBEEF")), 78),
    (Frame(0x123, remote=True), 45),
    (Frame(0x7EF), 46),
    (Frame(0x000), 50),
    (Frame(0x014, b"\x01"), 55),
    (Frame(0x555, b"\x55" * 8), 109),
    (Frame(0x7FF, b"\xff" * 8), 123),
    (Frame(0x000, bytes(8)), 124),
    (Frame(0x001, bytes(8)), 125),
    (Frame(0x078, bytes.fromhex("3C3C3C3C3C7C3C3C")), 44 + 64 + 21),
]
STUFFED_EXTENDED = [
    (Frame(0x00000000, extended=True), 71),
    (Frame(0x00000000, bytes(8), extended=True), 147),
    (Frame(0x1FFFFFFF, b"\xff" * 8, extended=True), 146),
    (Frame(0x18DAF110, b"\x02\x01", extended=True), 83),
    (Frame(0x0FCC1E1E, bytes.fromhex("1F0F0F0F0F0F0F0F"), extended=True), 64 + 64 + 25),
]


@pytest.mark.parametrize(("frame", "length"), STUFFED, ids=str)
def test_7_1_10_stuff_acceptance_in_base_format_frame(frame, length):
    # section 5
    bench = Bench(CLASSICAL, "ab")
    bench["a"].send(frame)
    bench.run(200)
    assert (bench.heard("b"), bench.counters()) == ([frame], [(0, 0)] * 2)
    assert bench.records[0].end_ns == 1_000 * length


@pytest.mark.parametrize(("frame", "length"), STUFFED_EXTENDED, ids=str)
def test_7_1_11_stuff_acceptance_in_extended_format_frame(frame, length):
    # section 5
    bench = Bench(CLASSICAL, "ab")
    bench["a"].send(frame)
    bench.run(200)
    assert (bench.heard("b"), bench.counters()) == ([frame], [(0, 0)] * 2)
    assert bench.records[0].end_ns == 1_000 * length


@FORMS
def test_7_1_12_message_validation(form):
    # section 4: valid without an error up to the last but one bit of end of frame
    bench = Bench(form)
    bench.disturb({form.end(7): "b"})
    bench["a"].send(form.frame)
    bench.run(400)
    assert bench.heard("b") == [form.frame]
    assert bench.counters() == [(0, 0)] * 3
    assert bench.line("b", form.length, form.length + 5) == "000000"  # overload flag


# ---- 7.2 error detection: b alone sees a bit otherwise, and its flag shows at which bit it knows


def flag_of_b(form: Form, hits: dict[int, str | None], frame: Frame | None = None) -> Bench:
    bench = Bench(form)
    bench.disturb(hits)
    bench["a"].send(frame or form.frame)
    bench.run(length_bits(frame or form.frame) + 8)
    return bench


@FORMS
def test_7_2_1_bit_error_in_data_frame(form):
    # section 6.1: a receiver sends the acknowledgement only
    bench = flag_of_b(form, {form.ack: "b"})
    assert bench.line("b", form.ack, form.ack + 7) == "0" + "000000" + "1"
    assert (bench.errors, bench.heard("b")) == (["disturbed"], [])


def check_stuff_errors(form: Form, frame: Frame, places: list[int]) -> None:
    assert places
    for k in places:
        bench = flag_of_b(form, {k: "b"}, frame)
        assert bench.line("b", k, k + 7) == "1" + "000000" + "1", k
        bench.run(400)
        assert bench.heard("b") == [frame], k


def in_front(frame: Frame, end: int) -> list[int]:
    return [k for k in stuff_places(bits(frame)) if k < end]


@pytest.mark.parametrize("frame", [Frame(0x078, b"\x01" + b"\xe1" * 7), Frame(0x000), Frame(0x7FF)])
def test_7_2_2_stuff_error_for_basic_frame(frame):
    # sections 5 and 6.1: noticed with the sixth equal bit, flag from the next one on
    check_stuff_errors(CLASSICAL, frame, in_front(frame, length_bits(frame) - 10))


@pytest.mark.parametrize("identifier", [0x00000000, 0x1FFFFFFF, 0x0FCC1E1E])
def test_7_2_3_stuff_error_for_extended_frame(identifier):
    # sections 5 and 6.1
    frame = Frame(identifier, b"\xf8", extended=True)
    check_stuff_errors(CLASSICAL, frame, in_front(frame, length_bits(frame) - 10))


@pytest.mark.parametrize("size", [4, 16, 32])
def test_7_2_4_stuff_error_for_fd_frame_payload_bytes(size):
    # sections 5 and 6.1, in CAN FD up to the end of the data
    frame = FdFrame(0x123, (b"\x00\xff" * 16)[:size])
    end = 22 + len(in_front(frame, 22)) + 8 * size
    check_stuff_errors(FD, frame, [k for k in in_front(frame, end) if k > 26])


ALTERNATING = {False: Frame(0x555, b"\x55" * 4), True: FdFrame(0x555, b"\x55" * 4)}
"""A bit more or less makes no stuff bit in the data."""


@FORMS
def test_7_2_5_crc_error(form):
    # section 6.2: the flag begins behind the ACK delimiter; and no acknowledgement from it
    frame = ALTERNATING[form.fd]
    form = form._replace(frame=frame)
    bench = flag_of_b(form, {40: "b"})
    assert bench.line("b", form.ack - 1, form.ack_delimiter + 7) == "111" + "000000" + "1"
    assert (bench.errors, bench.rec("b")) == (["disturbed"], 1 + 8)


@FORMS
def test_7_2_6_combination_of_crc_error_and_form_error(form):
    # section 6.2: the form error shows at once, and it is one error frame
    form = form._replace(frame=ALTERNATING[form.fd])
    bench = Bench(form)
    bench.disturb({40: "b", form.crc_delimiter: "b"})
    bench["a"].send(form.frame)
    bench.run_to(form.crc_delimiter + 6)
    assert bench.line("b", form.crc_delimiter, form.crc_delimiter + 6) == "1" + "000000"
    assert bench.rec("b") == 1
    bench.run(400)
    assert (len(bench.records), bench.heard("b")) == (2, [form.frame])


@FORMS
def test_7_2_7_form_error_in_data_frame_at_crc_delimiter_bit_position(form):
    # sections 6.1 and 6.2
    k = form.crc_delimiter
    bench = flag_of_b(form, {k: "b"})
    assert bench.line("b", k, k + 7) == "1" + "000000" + "1"
    assert bench.heard("b") == []


@pytest.mark.parametrize("size", [4, 20])
def test_7_2_8_form_error_at_fixed_stuff_bit_in_fd_frames(size):
    # first of the CRC field and behind every fourth bit of it: ISO 11898-1:2015, 10.4.2.6, as the
    # history of the Linux kernel quotes it; 27 or 32 bits, and then ten of fixed form. That a wrong
    # one is a form error is what the title says
    frame = FdFrame(0x123, bytes(range(0x55, 0x55 + size)))
    sent = bits(frame)
    field = 27 if size <= 16 else 32
    for k in range(len(sent) - 10 - field, len(sent) - 10, 5):
        assert sent[k] != sent[k - 1], k
        bench = flag_of_b(FD, {k: "b"}, frame)
        assert bench.line("b", k, k + 6) == "1" + "000000", k
        bench.run(400)
        assert bench.heard("b") == [frame], k


@FORMS
def test_7_2_9_form_error_in_data_frame_at_ack_delimiter_bit_position(form):
    # sections 6.1 and 6.2
    k = form.ack_delimiter
    bench = flag_of_b(form, {k: "b"})
    assert bench.line("b", k, k + 7) == "1" + "000000" + "1"
    assert bench.heard("b") == []
