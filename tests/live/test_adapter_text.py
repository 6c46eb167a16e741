"""The protocol of serial-line adapters, at the adapter's end."""

from __future__ import annotations

import can.interfaces.slcan
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.bus import Frame
from linkloss.live.endpoints import Line
from linkloss.live.serial_line import BIT_RATES, AdapterText, frame_text, parse_frame


class Seen:
    def __init__(self):
        self.frames, self.presence, self.said = [], [], []
        line = Line(250_000, self.frames.append, self.presence.append, self.said.append)
        self.text = AdapterText(line)


@pytest.fixture
def seen():
    return Seen()


@st.composite
def frames(draw):
    extended = draw(st.booleans())
    identifier = draw(st.integers(0, 0x1FFF_FFFF if extended else 0x7FF))
    if draw(st.booleans()):
        return Frame(identifier, b"", extended, True, draw(st.integers(0, 8)))
    return Frame(identifier, draw(st.binary(max_size=8)), extended)


@given(frames())
def test_a_frame_reads_back_as_it_was_written(frame):
    assert parse_frame(frame_text(frame)[:-1].decode()) == frame


@given(frames())
def test_python_can_writes_what_we_read_and_reads_what_we_write(frame):
    """Source: can.interfaces.slcan of python-can, at the program's end."""
    program = object.__new__(can.interfaces.slcan.slcanBus)
    written = []
    program.serialPortOrig = type("Port", (), {"write_timeout": None})()
    program._write = written.append
    message = can.Message(
        arbitration_id=frame.identifier,
        data=frame.data,
        is_extended_id=frame.extended,
        is_remote_frame=frame.remote,
        dlc=frame.dlc,
    )
    program.send(message)
    assert parse_frame(written[0]) == frame
    program._queue = type("Queue", (), {"qsize": lambda self: 1})()
    program._queue.get_nowait = lambda: frame_text(frame).decode()
    read, _ = program._recv_internal(0)
    assert read.equals(message, timestamp_delta=None)


@given(st.binary(max_size=80))
def test_noise_never_makes_a_frame_before_the_line_is_open(noise):
    seen = Seen()
    seen.text.feed(noise.replace(b"O", b"").replace(b"L", b""))
    assert seen.frames == []
    assert seen.presence == []


@given(st.lists(st.binary(max_size=30)))
def test_noise_is_survived_and_the_next_frame_arrives(pieces):
    seen = Seen()
    for piece in pieces:
        seen.text.feed(piece)
    seen.text.hang_up()
    seen.frames.clear()
    seen.text.feed(b"\rO\rt1232AABB\r")
    assert seen.frames == [Frame(0x123, b"\xaa\xbb")]


@pytest.mark.parametrize(
    "damaged",
    ["t12", "t1232AAB", "t1239AABBCCDDEEFF001122", "t8002AABB", "tXYZ0", "T123", "r1231AA",
     "t1232AABBCC", "t12 2AABB", "T2000000F0"],
)  # fmt: skip
def test_a_damaged_frame_is_refused(seen, damaged):
    assert seen.text.feed(b"O\r") == b"\r"
    assert seen.text.feed(damaged.encode() + b"\r") == b"\a"
    assert seen.frames == []


def test_a_program_opens_sends_and_closes(seen):
    assert seen.text.feed(b"C\rS5\rO\r") == b"\r\r\r"
    assert seen.text.feed(b"t1231FF\rT12345678") == b"z\r"
    assert seen.text.feed(b"1AA\rC\r") == b"Z\r\r"
    assert seen.presence == ["on", "off"]
    assert seen.frames == [Frame(0x123, b"\xff"), Frame(0x12345678, b"\xaa", True)]


def test_one_who_only_listens_cannot_send(seen):
    assert seen.text.feed(b"L\rt1231FF\r") == b"\r\a"
    assert seen.presence == ["listen"]
    assert seen.frames == []


def test_another_bit_rate_than_the_bus_takes_no_part_and_is_told(seen):
    assert seen.text.feed(b"S6\rO\rt1230\r") == b"\a\a\a"
    (said,) = seen.said
    assert "asks for 500,000 bit/s, and the bus runs at 250,000: it takes no part" in said
    assert seen.presence == []
    assert seen.text.feed(b"S5\rO\r") == b"\r\r"
    assert seen.presence == ["on"]


def test_the_bit_rates_are_those_of_python_can():
    theirs = can.interfaces.slcan.slcanBus._BITRATES
    assert {rate: word for word, rate in BIT_RATES.items()} == theirs


def test_questions_are_answered(seen):
    assert seen.text.feed(b"V\rN\rF\rQ\r\r") == b"V1010\rN0001\rF00\r\a\r"
