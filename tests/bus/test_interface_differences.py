"""Where a bus on a bus differs from a list of queues, as python-can's ``virtual`` is one: each
difference shown on both.

Sources of what the bus does: ISO 11898-1 (arbitration, acknowledgement, error counters); Bosch CAN
Specification 2.0 part A section 8 (error counters) and 3.1 (frame formats).
"""

from __future__ import annotations

import gc
import os
import subprocess
import sys
import threading
import weakref
from itertools import pairwise

import can
import pytest
from interface_entry import entry_point

from linkloss.bus.interface import names
from linkloss.bus.record import BitError
from linkloss.clock.wallclock import monotonic_seconds

SOON = 5.0
SLOW = 20_000
"""Bits per second at which a frame takes long enough for a program to act meanwhile."""


def message(identifier=0x123, data=b"\x01\x02\x03"):
    return can.Message(arbitration_id=identifier, data=data, is_extended_id=False)


@pytest.fixture
def net(request, plugged_in):
    buses = []

    def open_bus(interface="linkloss", **settings):
        buses.append(can.Bus(interface=interface, channel=request.node.name, **settings))
        return buses[-1]

    yield open_bus
    for bus in buses:
        bus.shutdown()
    # the bus has gone with its last bus
    assert request.node.name not in names()
    assert not [one for one in threading.enumerate() if one.name == f"bus {request.node.name}"]


def until(holds):
    """Wait for something that another thread brings about."""
    end = monotonic_seconds() + SOON
    while not holds():
        assert monotonic_seconds() < end, "it never came to that"


@pytest.mark.parametrize(
    ("interface", "order"),
    [("linkloss", [0x700, 0x100, 0x200, 0x300]), ("virtual", [0x700, 0x300, 0x100, 0x200])],
)
def test_the_lowest_identifier_goes_first_and_not_the_first_sent(net, interface, order):
    ear, first, *others = [net(interface, bitrate=SLOW) for _ in range(5)]
    first.send(message(0x700, bytes(8)))  # on the bus for 5.5 ms at the least
    for bus, identifier in zip(others, (0x300, 0x100, 0x200), strict=True):
        bus.send(message(identifier))
    assert [ear.recv(SOON).arbitration_id for _ in range(4)] == order


def test_a_frame_that_nobody_acknowledges_is_sent_until_somebody_does(net):
    alone = net(receive_own_messages=True)
    alone.send(message())
    until(lambda: alone.state is can.BusState.PASSIVE)
    assert alone.recv(0.02) is None
    # an error-passive sender does not count a missing acknowledgement: it never goes bus-off
    assert alone.error_counters == (128, 0)
    other = net()
    assert other.recv(SOON).arbitration_id == 0x123
    assert alone.recv(SOON).is_rx is False


def test_alone_on_virtual_a_message_counts_as_sent_at_once(net):
    alone = net("virtual", receive_own_messages=True)
    alone.send(message())
    assert alone.recv(0) is not None


def test_one_who_only_listens_does_not_acknowledge_and_cannot_send(net):
    sender, listener = net(), net(listen_only=True)
    sender.send(message())
    assert listener.recv(0) is None
    # the flag of an error-passive sender is recessive: from then on it spoils nothing for others
    assert listener.recv(SOON).arbitration_id == 0x123
    assert sender.error_counters == (128, 0)
    with pytest.raises(can.CanOperationError, match="only listens and cannot send 123#010203"):
        listener.send(message())


def test_two_programs_that_send_one_identifier_drive_each_other_error_passive(net):
    ear, blocker = net(bitrate=SLOW), net()
    one, two = net(), net()
    blocker.send(message(0x700, bytes(8)))  # both wait for its end, and begin as one
    one.send(message(0x200, b"\x00"))
    two.send(message(0x200, b"\xff"))
    assert ear.recv(SOON).arbitration_id == 0x700
    # Once both are error-passive, the flag of the one whose recessive bit was overwritten spoils
    # nothing: the dominant one gets through, and then the other one (Bosch CAN Specification
    # 2.0, part B sections 3.1.3 and 8).
    assert [bytes(ear.recv(SOON).data) for _ in range(2)] == [b"\x00", b"\xff"]
    assert one.error_counters[0] == 127
    assert two.error_counters[0] > 127


def test_a_sender_whose_every_frame_is_disturbed_goes_bus_off_and_comes_back(net):
    ear, off = net(), net()

    def strike(sender, _frame, _length):
        return [BitError(20)] if sender is off._controller else []

    disturbances = off._live.bus.disturbances
    off._live.do(lambda: disturbances.append(strike))
    off.send(message())
    until(lambda: off.state is can.BusState.ERROR)
    assert off.error_counters[0] >= 256
    assert off.lost == 1
    with pytest.raises(can.CanOperationError, match="bus-off and cannot send"):
        off.send(message())
    off._live.do(lambda: disturbances.remove(strike))
    off.recover()
    until(lambda: off.state is can.BusState.ACTIVE)
    off.send(message(0x55))
    assert ear.recv(SOON).arbitration_id == 0x55


def test_on_virtual_two_programs_send_one_identifier_undisturbed(net):
    ear, one, two = net("virtual"), net("virtual"), net("virtual")
    one.send(message(0x200, b"\x00"))
    two.send(message(0x200, b"\xff"))
    assert [bytes(ear.recv(SOON).data) for _ in range(2)] == [b"\x00", b"\xff"]
    assert one.state is can.BusState.ACTIVE


def test_frames_follow_each_other_at_the_time_of_their_bits(net):
    ear, sender = net(bitrate=50_000), net()
    for _ in range(4):
        sender.send(message(0x555, b"\x55" * 8))
    stamps = [ear.recv(SOON).timestamp for _ in range(4)]
    # 44 bits of frame, 64 of data, 3 of intermission, and a stuff bit at most after every fourth
    # of the 98 bits that are stuffed (Davis et al., Controller Area Network schedulability
    # analysis, 2007, equation 2: 135 bits with the intermission at most)
    for one, two in pairwise(stamps):
        assert 111 * 20e-6 - 1e-6 <= two - one <= 135 * 20e-6 + 1e-6


def test_a_full_queue_refuses_at_once_or_after_its_time(net):
    alone = net(tx_queue_size=2)
    alone.send(message())
    alone.send(message())
    with pytest.raises(can.CanOperationError, match="2 messages wait to be sent"):
        alone.send(message(), timeout=0)
    begun = monotonic_seconds()
    with pytest.raises(can.CanOperationError, match="finds no room"):
        alone.send(message(), timeout=0.02)
    assert monotonic_seconds() - begun >= 0.02
    alone.flush_tx_buffer()
    until(lambda: alone._controller.pending() < 2)
    alone.send(message(), timeout=0)


def test_the_first_bus_of_a_channel_sets_the_bit_rate(net):
    net(bitrate=125_000)
    net()
    net(bitrate=125_000)
    with pytest.raises(can.CanInitializationError, match="runs at 125000 bit/s"):
        net(bitrate=250_000)


def test_the_bit_rate_may_come_as_a_timing(net):
    timing = can.BitTiming.from_sample_point(f_clock=8_000_000, bitrate=250_000, sample_point=87.5)
    net(timing=timing)
    with pytest.raises(can.CanInitializationError, match="runs at 250000 bit/s"):
        net(bitrate=125_000)


def test_a_bus_without_fd_sends_no_fd_message(net):
    with pytest.raises(ValueError, match="CAN FD message"):
        net().send(can.Message(is_fd=True))
    with pytest.raises(can.CanInitializationError, match="expected 'fd=True' beside it"):
        net(data_bitrate=2_000_000)


def test_the_first_bus_of_a_channel_sets_the_data_bit_rate(net):
    timing = can.BitTimingFd.from_sample_point(
        f_clock=80_000_000,
        nom_bitrate=500_000,
        nom_sample_point=80,
        data_bitrate=4_000_000,
        data_sample_point=75,
    )
    first = net(timing=timing)
    assert first.protocol is can.CanProtocol.CAN_FD
    net(fd=True)
    assert net().protocol is can.CanProtocol.CAN_20
    with pytest.raises(can.CanInitializationError, match="data at 4000000 bit/s"):
        net(fd=True, data_bitrate=2_000_000)


def test_a_bus_without_fd_destroys_what_it_does_not_know(net):
    """As a classical controller on a CAN FD bus does, until it is error-passive."""
    sender, other, classical = net(fd=True), net(fd=True), net()
    sender.send(can.Message(arbitration_id=1, data=bytes(16), is_fd=True, is_extended_id=False))
    assert other.recv(SOON).data == bytes(16)
    assert classical.state is can.BusState.PASSIVE
    assert sender.error_counters[0] > 100
    assert classical.recv(0) is None


def test_a_bit_rate_is_a_number_of_bits(net):
    with pytest.raises(can.CanInitializationError, match="a bit rate is a whole number"):
        net(bitrate=-1)


def test_a_queue_without_room_is_refused_and_leaves_no_bus_behind(net, request):
    with pytest.raises(can.CanInitializationError, match="tx_queue_size"):
        net(tx_queue_size=0)
    assert request.node.name not in names()


def test_a_bus_that_was_shut_down_is_forgotten(net, request):
    net()
    gone = can.Bus(interface="linkloss", channel=request.node.name)
    gone.send(message(), timeout=0)
    gone.shutdown()
    seen = weakref.ref(gone)
    del gone
    until(lambda: gc.collect() >= 0 and seen() is None)


def test_the_error_state_cannot_be_set(net):
    with pytest.raises(NotImplementedError, match=r"recover\(\) asks for the way back"):
        net().state = can.BusState.ACTIVE


def test_the_open_channels_are_found(net, request):
    net()
    found = can.detect_available_configs("linkloss")
    assert {"interface": "linkloss", "channel": request.node.name} in found


def test_a_bus_that_fails_tells_everybody_who_waits(net):
    bus, other = net(), net()

    def fail():
        raise RuntimeError("a mistake in the bench")

    bus._live.enter(fail)
    with pytest.raises(can.CanOperationError, match="a mistake in the bench"):
        other.recv()


def test_python_can_finds_the_interface_of_an_installed_linkloss(tmp_path):
    """The entry point of pyproject.toml, in the folder that an installation would make of it."""
    folder = tmp_path / "linkloss-0.dist-info"
    folder.mkdir()
    (folder / "METADATA").write_text("Metadata-Version: 2.1\nName: linkloss\nVersion: 0\n")
    (folder / "entry_points.txt").write_text(f"[can.interface]\nlinkloss = {entry_point()}\n")
    program = (
        "import can, sys\n"
        "assert 'linkloss' not in sys.modules\n"
        "with can.Bus(interface='linkloss', channel=1) as a, can.Bus(interface='linkloss',"
        " channel=1) as b:\n"
        "    a.send(can.Message(arbitration_id=7))\n"
        "    print(b.recv(5).arbitration_id)\n"
    )
    path = str(tmp_path)
    ran = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True, text=True, check=True, env={**os.environ, "PYTHONPATH": path},
    )  # fmt: skip
    assert ran.stdout == "7\n"
