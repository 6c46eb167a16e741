"""CAN FD frame bits against the published layout and an independent CRC.

Fields, overhead and fixed stuff bits: the Linux kernel's include/linux/can/length.h and the history
of that file, which quotes ISO 11898-1:2015 (10.4.2.6, 10.5). CRC: crccheck's Crc17CanFd and
Crc21CanFd (the catalogue's CRC-17/CAN-FD and CRC-21/CAN-FD), here with the initial value of ISO
11898-1:2015, a one followed by zeros (the history of an open CAN FD controller core says so).
Everything is taken apart here by code of its own, from the bits alone.
"""

from __future__ import annotations

import pytest
from crccheck.crc import Crc17CanFd, Crc21CanFd
from hypothesis import given, settings
from hypothesis import strategies as st

from linkloss.bus.bits import LENGTHS, stuff_count
from linkloss.bus.frame import (
    FdFrame,
    Frame,
    SwitchingClock,
    arbitration_word,
    bits,
    fast_bits,
    length_bits,
)

BYTE = st.sampled_from([0x00, 0xFF, 0x0F, 0xF0, 0x1F, 0xF8]) | st.integers(0, 255)
FRAMES = st.builds(
    lambda extended, identifier, size, data, switch, passive: FdFrame(
        identifier if extended else identifier & 0x7FF,
        bytes(data[:size]),
        extended,
        bit_rate_switch=switch,
        error_state_indicator=passive,
    ),
    st.booleans(),
    st.integers(0, 0x1FFF_FFFF) | st.sampled_from([0, 0x1FFF_FFFF, 0x7F0, 0x0F8]),
    st.sampled_from(LENGTHS),
    st.lists(BYTE, min_size=64, max_size=64),
    st.booleans(),
    st.booleans(),
)
BY_DLC = {9: 12, 10: 16, 11: 20, 12: 24, 13: 32, 14: 48, 15: 64}


class Parsed:
    """A frame taken apart bit by bit as a receiver does: five equal bits, then a stuff bit."""

    def __init__(self, bus: str) -> None:
        self._bus = bus
        self._at = 0
        self._run = 0
        self._stuffing = True
        self.stuff_bits = 0
        self._read()

    def _bit(self) -> str:
        bit = self._bus[self._at]
        same = self._at > 0 and self._bus[self._at - 1] == bit
        self._run = self._run + 1 if same else 1
        self._at += 1
        return bit

    def take(self, count: int) -> str:
        out = ""
        for _ in range(count):
            if self._stuffing and self._run == 5:
                before = self._bus[self._at - 1]
                assert self._bit() != before
                self.stuff_bits += 1
            out += self._bit()
        return out

    def _read(self) -> None:
        assert self.take(1) == "0"
        base = self.take(11)
        first, ide = self.take(1), self.take(1)  # RRS or SRR, IDE
        self.extended = ide == "1"
        rest = self.take(18) if self.extended else ""
        rrs = self.take(1) if self.extended else first
        assert first == ("1" if self.extended else "0")
        assert rrs == "0"
        self.identifier = int(base + rest, 2)
        assert self.take(2) == "10"  # FDF, res
        self.switch = self.take(1) == "1"
        self.fast_from = self._at
        self.passive = self.take(1) == "1"
        self.dlc = int(self.take(4), 2)
        self.size = BY_DLC.get(self.dlc, self.dlc)
        self.data = bytes(int(self.take(8), 2) for _ in range(self.size))
        self.covered = self._bus[: self._at]
        self._stuffing = False
        width = 17 if self.size <= 16 else 21
        field = ""
        for place in range(4 + width):
            if place % 4 == 0:  # one before the count, one behind every fourth bit
                assert self._bus[self._at] != self._bus[self._at - 1]
                self._at += 1
            field += self._bit()
        self.count, self.crc = field[:4], int(field[4:], 2)
        assert self._bit() == "1"
        self.fast_to = self._at
        self.tail = self._bus[self._at :]


def crc_of(covered: str, size: int) -> int:
    """By the oracle, whose register starts at zero: a start of a one followed by zeros is the same
    as the first bit inverted; zeros in front of that change nothing.
    """
    crc = Crc17CanFd if size <= 16 else Crc21CanFd
    changed = ("1" if covered[0] == "0" else "0") + covered[1:]
    return crc.calc(int(changed, 2).to_bytes((len(changed) + 7) // 8, "big"))


@given(FRAMES)
@settings(max_examples=150)
def test_a_receiver_reads_what_was_sent_and_its_crc_agrees(frame):
    found = Parsed(bits(frame))
    assert (found.identifier, found.extended) == (frame.identifier, frame.extended)
    assert (found.switch, found.passive) == (frame.bit_rate_switch, frame.error_state_indicator)
    assert (found.dlc, found.data) == (frame.dlc, frame.data)
    number = found.stuff_bits % 8
    assert found.count == GRAY_AND_PARITY[number]
    assert found.crc == crc_of(found.covered + found.count, found.size)
    assert found.tail == "0" + "1" + "1" * 7
    if frame.bit_rate_switch:
        assert fast_bits(frame) == (found.fast_from, found.fast_to)
    else:
        assert fast_bits(frame) == (len(bits(frame)), len(bits(frame)))


GRAY_AND_PARITY = ("0000", "0011", "0110", "0101", "1100", "1111", "1010", "1001")
"""Of 0 to 7 stuff bits: Gray code and even parity (ISO 11898-1:2015, from memory)."""


def test_stuff_counts_differ_in_one_bit_of_gray_code_and_the_parity():
    assert tuple(stuff_count(number) for number in range(8)) == GRAY_AND_PARITY
    assert stuff_count(9) == stuff_count(1)


@given(FRAMES)
@settings(max_examples=150)
def test_fast_length_is_the_length_of_the_bit_string(frame):
    assert length_bits(frame) == len(bits(frame))


@given(FRAMES)
@settings(max_examples=100)
def test_the_overhead_is_that_of_the_kernels_header(frame):
    found = Parsed(bits(frame))
    # include/linux/can/length.h: 67 (base) and 86 (extended) with CRC-21, intermission included,
    # dynamic stuff bits not; five fewer with CRC-17: four of CRC and one fixed stuff bit
    overhead = (86 if frame.extended else 67) - (0 if len(frame.data) > 16 else 5)
    assert length_bits(frame) + 3 == overhead + 8 * len(frame.data) + found.stuff_bits


@pytest.mark.parametrize("size", LENGTHS)
def test_lengths_by_data_length_code(size):
    frame = FdFrame(0x123, bytes(size))
    assert BY_DLC.get(frame.dlc, frame.dlc) == size


@given(FRAMES)
@settings(max_examples=100)
def test_no_dynamic_stuff_bit_stands_beside_the_first_fixed_one(frame):
    # ISO 11898-1:2015, 10.5, as quoted in the kernel's history: five equal bits at the end of the
    # data are followed by the fixed stuff bit alone
    found = Parsed(bits(frame))
    without = len(found.covered) - found.stuff_bits
    assert without == len(frame.head.bits) + 8 * len(frame.data)


@given(FRAMES, st.sampled_from([(500_000, 2_000_000), (250_000, 1_000_000), (83_333, 5_000_000)]))
@settings(max_examples=100)
def test_time_is_slow_bits_and_fast_bits_each_at_its_rate(frame, rates):
    clock = SwitchingClock(frame, *rates)
    first, last = fast_bits(frame)
    length = length_bits(frame)
    for count in (0, 1, first, (first + last) // 2, last, length, length + 3):
        fast = max(0, min(count, last) - first)
        exact = (count - fast) / rates[0] * 1e9 + fast / rates[1] * 1e9
        assert clock[count] == pytest.approx(exact, abs=0.51)


def test_a_frame_worked_out_on_paper():
    # 0x555, one byte 0x55, no switch: hardly a stuff bit. SOF 0, identifier 10101010101, RRS 0,
    # IDE 0, FDF 1, res 0, BRS 0, ESI 0, DLC 0001, data 01010101. Row of dominant bits: res, BRS,
    # ESI, DLC 000 is six, so one stuff bit follows the fifth.
    sent = "0101010101010010000010101010101"
    count = "0011"
    bus = bits(FdFrame(0x555, b"\x55"))
    assert bus.startswith(sent)
    assert bus[len(sent)] == "0"  # fixed: the last bit of the data is recessive
    assert bus[len(sent) + 1 : len(sent) + 5] == count
    assert bus[len(sent) + 5] == "0"  # fixed: the count ends in a recessive bit
    assert length_bits(FdFrame(0x555, b"\x55")) == 62 - 3 + 8 + 1


def test_with_the_same_identifier_a_classical_frame_ties_in_the_arbitration_field():
    assert arbitration_word(FdFrame(0x123)) == arbitration_word(Frame(0x123))
    classical, fd = bits(Frame(0x123)), bits(FdFrame(0x123))
    at = next(k for k, pair in enumerate(zip(classical, fd, strict=False)) if pair[0] != pair[1])
    assert (classical[at], fd[at]) == ("0", "1")  # r0 against FDF
    assert at == 14


def test_catalogue_check_values_of_the_oracles():
    # CRC RevEng catalogue: check("123456789")
    assert Crc17CanFd.calc(b"123456789") == 0x04F03
    assert Crc21CanFd.calc(b"123456789") == 0x0ED841
