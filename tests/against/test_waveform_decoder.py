"""Our waveforms against the CAN decoder of sigrok-cli, which shares no code with us.

The decoder extracts the CRC but never verifies it, so it is held against crccheck; it takes a
remote frame that asks for data for one that holds them, so those are left out (both seen by
running version 0.5.3 of its library). Base identifiers of which the first seven bits are recessive
make it warn, as Bosch CAN Specification 2.0 forbids them.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from crccheck.crc import Crc15Can
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from linkloss.bus import Bus, Controller, Frame
from linkloss.bus.bits import stuffed
from linkloss.clock.queue import EventQueue
from linkloss.recording import Recording
from linkloss.report.waveform import vcd, waveform

DECODER = shutil.which("sigrok-cli")
pytestmark = pytest.mark.skipif(DECODER is None, reason="sigrok-cli is not installed")

RATE = 500_000
SAMPLE_NS = 500  # four samples of each bit
SHOWN = "id:full-id:ide:rtr:dlc:data:crc-sequence:ack-slot:eof:stuff-bit:warnings"


@dataclass
class Decoded:
    """One frame as the decoder tells it."""

    identifier: int
    extended: bool = False
    remote: bool = False
    dlc: int = -1
    data: bytearray = field(default_factory=bytearray)
    crc: int = -1
    stuff_bits: int = 0
    acknowledged: bool = False
    ended: bool = False


def decode(path: Path) -> tuple[list[Decoded], list[str]]:
    """All frames in a waveform, and whatever else the decoder had to say."""
    ran = subprocess.run(
        [
            DECODER, "-i", str(path), "-I", f"vcd:downsample={SAMPLE_NS}",
            "-P", f"can:can_rx=bus:nominal_bitrate={RATE}:sample_point=62.5", "-A", f"can={SHOWN}",
        ],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    frames: list[Decoded] = []
    other: list[str] = []
    early_stuff_bits = 0
    for line in ran.stdout.splitlines():
        text = line.removeprefix("can-1: ")
        if text in ("0", "1"):  # a stuff bit
            # those within the identifier are told before it is
            if frames and not frames[-1].ended:
                frames[-1].stuff_bits += 1
            else:
                early_stuff_bits += 1
        elif text.startswith("Identifier: "):
            frames.append(Decoded(number(text), stuff_bits=early_stuff_bits))
            early_stuff_bits = 0
        elif not frames or not told(frames[-1], text):
            other.append(text)
    return frames, other


def number(text: str) -> int:
    return int(re.search(r"0x[0-9a-fA-F]+", text)[0], 16)


def told(frame: Decoded, text: str) -> bool:
    """Note one line about a frame; False for one that is not understood."""
    what, _, value = text.partition(": ")
    if what == "Full Identifier":
        frame.identifier = number(value)
    elif what == "Identifier extension bit":
        frame.extended = value == "extended frame"
    elif what == "Remote transmission request":
        frame.remote = value == "remote frame"
    elif what == "Data length code":
        frame.dlc = int(value)
    elif what.startswith("Data byte"):
        frame.data.append(number(value))
    elif what == "CRC-15 sequence":
        frame.crc = number(value)
    elif what == "ACK slot":
        frame.acknowledged = value == "ACK"
    elif what == "End of frame":
        frame.ended = True
    else:
        return False
    return True


def on_the_bus(frames: list[Frame]) -> Recording:
    """Frames sent one after the other by a simulated controller to another one."""
    queue = EventQueue()
    bus = Bus(queue, RATE)
    recording = Recording(vehicle="", seed=0)
    bus.observers.append(recording.frames.append)
    sender = Controller("sender", mailboxes=len(frames), order="fifo")
    bus.attach(sender)
    bus.attach(Controller("receiver", receive_depth=len(frames)))
    for frame in frames:
        queue.at(100_000, sender.send, frame)
    queue.run_until(10**10)
    recording.end_ns = max(record.end_ns for record in recording.frames) + 100_000
    return recording


def write(frames: list[Frame], path: Path) -> None:
    recording = on_the_bus(frames)
    assert [record.frame for record in recording.frames] == frames
    channels = waveform(recording, RATE, ["sender", "receiver"])
    path.write_text("".join(vcd(channels, 0, recording.end_ns)))


def classical():
    base = st.builds(Frame, st.integers(0, 0x7FF), st.binary(max_size=8))
    extended = st.builds(
        Frame, st.integers(0, 0x1FFF_FFFF), st.binary(max_size=8), extended=st.just(True)
    )
    remote = st.builds(Frame, st.integers(0, 0x7FF), remote=st.just(True), dlc=st.just(0))
    rows = st.builds(  # long rows of equal bits: the most stuff bits
        Frame,
        st.sampled_from([0x000, 0x007, 0x0F8, 0x078, 0x7EF]),
        st.lists(st.sampled_from([0x00, 0xFF, 0x0F, 0xF0, 0x3C, 0xC3]), max_size=8).map(bytes),
    )
    return st.one_of(base, extended, remote, rows)


@given(st.lists(classical(), min_size=200, max_size=260))
@settings(
    max_examples=12, deadline=None, database=None, phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)  # fmt: skip
def test_the_decoder_reads_every_frame_as_it_was_sent(tmp_path_factory, frames):
    path = tmp_path_factory.mktemp("bits") / "frames.vcd"
    write(frames, path)
    decoded, other = decode(path)
    assert len(decoded) == len(frames)
    for frame, found in zip(frames, decoded, strict=True):
        head = frame.head.bits + "".join(f"{byte:08b}" for byte in frame.data)
        crc = Crc15Can.calc(int(head, 2).to_bytes((len(head) + 7) // 8, "big"))
        stuff_bits = len(stuffed(head + f"{crc:015b}")) - len(head) - 15
        assert found == Decoded(
            identifier=frame.identifier,
            extended=frame.extended,
            remote=frame.remote,
            dlc=frame.dlc,
            data=bytearray(frame.data),
            crc=crc,
            stuff_bits=stuff_bits,
            acknowledged=True,
            ended=True,
        )
    assert set(other) <= {"Identifier bits 10..4 must not be all recessive"}
