"""How long the longest frame takes on the cable of a real node."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.bus import FdFrame
from linkloss.bus.bits import LENGTHS, fd_bits, most_fd_bits
from linkloss.bus.frame import INTERMISSION_BITS, longest_bits
from linkloss.desk.adapter_way import longest_frame_ns
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.loading import load_vehicle


@given(st.sampled_from(LENGTHS), st.data())
def test_no_fd_frame_is_longer_than_its_bound(size, data):
    extremes = st.sampled_from([bytes(size), b"\xff" * size, b"\x3c" * size])
    content = data.draw(extremes | st.binary(min_size=size, max_size=size))
    frame = FdFrame(data.draw(st.integers(0, 2**29 - 1)), content, extended=True)
    assert len(fd_bits(frame.head, content)) + INTERMISSION_BITS <= most_fd_bits(size)


@pytest.fixture(scope="module")
def vehicle():
    return load_vehicle(demo_vehicle())


def test_a_long_fd_message_counts(vehicle):
    longest = max(message.length for message in vehicle.messages.values())
    assert longest_frame_ns(vehicle, "rear") == longest_bits(longest) * 4000
    status = vehicle.messages["RearStatus"]
    long = replace(status, fd=True, length=64)
    with_fd = replace(vehicle, messages={**vehicle.messages, "RearStatus": long})
    assert longest_frame_ns(with_fd, "rear") == most_fd_bits(64) * 4000
