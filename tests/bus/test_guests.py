"""Plain python-can programs on the virtual interface take part in the bus like any node."""

from __future__ import annotations

import threading

import can
import pytest
from can.interfaces.virtual import channels

from linkloss.bus.frame import Frame, length_bits
from linkloss.bus.port import BlockingReceive, open_channel
from linkloss.bus.record import BitError

CHANNEL = "guests test"


def message(identifier, data=b"\x01"):
    return can.Message(arbitration_id=identifier, data=data, is_extended_id=False)


@pytest.fixture
def car(bench_of):
    bench = bench_of("node")
    buses = []

    def program(**settings):
        buses.append(can.Bus(interface="virtual", channel=CHANNEL, **settings))
        return buses[-1]

    bench.program = program
    with open_channel(bench.bus, bench.queue, CHANNEL) as channel:
        bench.channel = channel
        yield bench
    for bus in buses:
        bus.shutdown()
    assert CHANNEL not in channels


def drained(bus):
    got = []
    while (received := bus.recv(0)) is not None:
        got.append(received)
    return got


def test_two_plain_programs_hear_each_other_exactly_once_with_the_bus_time(car):
    one, two = car.program(), car.program()
    one.send(message(0x101, b"\x0a"))
    two.send(message(0x100, b"\x0b"))
    assert drained(one) == drained(two) == []  # nothing arrives past the bus
    car.run()
    first_end = length_bits(Frame(0x100, b"\x0b"))
    second_end = first_end + 3 + length_bits(Frame(0x101, b"\x0a"))
    (heard_by_one,) = drained(one)
    (heard_by_two,) = drained(two)
    assert (heard_by_one.arbitration_id, bytes(heard_by_one.data)) == (0x100, b"\x0b")
    assert (heard_by_two.arbitration_id, bytes(heard_by_two.data)) == (0x101, b"\x0a")
    assert heard_by_one.timestamp == first_end / 1e6
    assert heard_by_two.timestamp == second_end / 1e6
    assert heard_by_one.is_rx
    assert heard_by_one.channel == CHANNEL
    assert [record.sender for record in car.records] == ["guest 2", "guest 1"]


def test_guests_and_nodes_hear_each_other(car):
    guest = car.program()
    car["node"].send(Frame(0x200))
    guest.send(message(0x201))
    car.run()
    assert [got.arbitration_id for got in drained(guest)] == [0x200]
    assert car.heard("node") == [Frame(0x201, b"\x01")]


def test_own_messages_come_back_at_their_end_of_frame_if_asked_for(car):
    one, two = car.program(receive_own_messages=True), car.program()
    one.send(message(0x100))
    assert one.recv(0) is None
    car.run()
    (own,) = drained(one)
    assert (own.is_rx, own.timestamp) == (False, car.records[0].end_ns / 1e9)
    assert len(drained(two)) == 1


def test_own_messages_of_several_guests_do_not_mix(car):
    one, two = (car.program(receive_own_messages=True) for _ in range(2))
    one.send(message(0x100))
    two.send(message(0x101))
    car.run()
    assert [(m.arbitration_id, m.is_rx) for m in drained(one)] == [(0x100, False), (0x101, True)]
    assert [(m.arbitration_id, m.is_rx) for m in drained(two)] == [(0x100, True), (0x101, False)]


def test_a_message_is_sent_as_it_was_at_send(car):
    one, two = car.program(), car.program()
    changing = message(0x100, bytearray(b"\x01"))
    one.send(changing)
    changing.data[0] = 0xFF
    car.run()
    assert bytes(two.recv(0).data) == b"\x01"


def test_python_cans_own_filters_work(car):
    one, two = car.program(), car.program()
    two.set_filters([{"can_id": 0x101, "can_mask": 0x7FF}])
    one.send(message(0x100))
    one.send(message(0x101))
    car.run()
    assert two.recv(0) is None  # python-can's recv(0) looks at one message per call
    assert two.recv(0).arbitration_id == 0x101


@pytest.mark.parametrize("timeout", [None, 1.0])
def test_a_receive_that_would_wait_says_what_to_do(car, timeout):
    with pytest.raises(BlockingReceive, match=r"'guest 1' on channel .*recv\(0\)"):
        car.program().recv(timeout)


def test_full_mailboxes_are_an_operation_error(car):
    one = car.program()
    for _ in range(10):
        one.send(message(0x100))
    with pytest.raises(can.CanOperationError, match=r"node 'guest 1' cannot send.*10 mailboxes"):
        one.send(message(0x100))
    car.run()
    assert len(car.records) == 10


def test_a_full_receive_queue_loses_its_oldest_message(car):
    one, two = car.program(), car.program(rx_queue_size=2)
    for identifier in (0x100, 0x101, 0x102):
        one.send(message(identifier))
    car.run()
    assert [got.arbitration_id for got in drained(two)] == [0x101, 0x102]


def test_shutdown_takes_the_guest_off_the_bus(car):
    one = car.program()
    assert [c.name for c in car.bus.controllers] == ["node", "guest 1"]
    one.shutdown()
    one.shutdown()
    assert [c.name for c in car.bus.controllers] == ["node"]
    car.program()
    assert [c.name for c in car.bus.controllers] == ["node", "guest 2"]


def test_a_program_that_sends_and_shuts_down_is_heard(car):
    with car.program() as one:
        one.send(message(0x100))
        one.send(message(0x101))
    car.run()
    assert [frame.identifier for frame in car.heard("node")] == [0x100, 0x101]
    assert [c.name for c in car.bus.controllers] == ["node"]


def test_a_guest_that_goes_bus_off_while_leaving_is_gone(car):
    car.bus.disturbances.append(lambda *_: [BitError(40)])
    one = car.program()
    one.send(message(0x100))
    one.shutdown()
    car.run(500)
    assert len(car.bus.controllers) == 2
    car.run()
    assert [c.name for c in car.bus.controllers] == ["node"]


def test_closing_with_guests_still_open(car):
    one, two = car.program(), car.program()
    one.send(message(0x100))
    car.run()
    one.send(message(0x101))
    car.channel.close()
    car.channel.close()
    car.run()
    assert [c.name for c in car.bus.controllers] == ["node"]
    assert [got.arbitration_id for got in drained(two)] == [0x100]
    with pytest.raises(can.CanOperationError, match="channel 'guests test' of the bus is closed"):
        one.send(message(0x102))
    # the channel is python-can's own again, and the old guests do not disturb it
    with can.Bus(interface="virtual", channel=CHANNEL) as plain:
        one.shutdown()
        two.shutdown()
        assert channels[CHANNEL] == [plain.queue]


def test_a_channel_in_use_is_refused(car):
    with pytest.raises(ValueError, match="'guests test' is in use already"):
        open_channel(car.bus, car.queue, CHANNEL)
    with (
        can.Bus(interface="virtual", channel="guests other"),
        pytest.raises(ValueError, match="'guests other' is in use already"),
    ):
        open_channel(car.bus, car.queue, "guests other")


def test_a_second_thread_is_refused(car):
    one = car.program()
    seen = []

    def work():
        try:
            one.send(message(0x100))
        except can.CanOperationError as error:
            seen.append(str(error))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert "a second thread sends on channel 'guests test'" in seen[0]
    car.run()
    assert car.records == []


def test_what_is_not_a_classical_frame_is_refused(car):
    one = car.program()
    with pytest.raises(ValueError, match="CAN FD"):
        one.send(can.Message(is_fd=True, data=bytes(12)))
    one.send(message(0x100))
    car.run()
    assert len(car.records) == 1


def test_two_channels_of_one_bus_number_their_guests_apart(car):
    car.program()
    with (
        open_channel(car.bus, car.queue, "guests other"),
        can.Bus(interface="virtual", channel="guests other") as other,
    ):
        other.send(message(0x100))
        car.run()
        assert [c.name for c in car.bus.controllers] == ["node", "guest 1", "guest 2"]
        assert car.heard("node") == [Frame(0x100, b"\x01")]
