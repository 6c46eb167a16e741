"""python-can's documented bus behaviour, on its own `virtual` interface, on our ports and for plain
programs on the bus: one contract for all three.

Source: the docstrings of can.BusABC, can.broadcastmanager and can.interfaces.virtual (4.6).
"""

from __future__ import annotations

import can
import pytest

from linkloss.bus.controller import Controller
from linkloss.bus.medium import Bus
from linkloss.bus.port import Port, open_channel
from linkloss.clock.queue import EventQueue

CHANNEL = "contract"


class Virtual:
    """python-can alone; time is the machine's."""

    def open(self, **settings):
        return can.Bus(interface="virtual", channel=CHANNEL, **settings)

    def settle(self):
        pass

    def next_message(self, bus):
        return bus.recv(5.0)

    def close(self):
        pass


class OnTheBus:
    def __init__(self):
        self.queue = EventQueue()
        self.bus = Bus(self.queue, 500_000)
        self.bus.attach(Controller("idle"))

    def settle(self):
        self.queue.run_until(self.queue.now_ns + 20_000_000)

    def next_message(self, bus):
        while (got := bus.recv(0)) is None:
            assert self.queue.step(), "nothing will ever come"
        return got

    def close(self):
        pass


class Ports(OnTheBus):
    def open(self, **settings):
        controller = Controller(f"node {len(self.bus.controllers)}", order="fifo", mailboxes=10)
        self.bus.attach(controller)
        return Port(controller, self.queue, CHANNEL, **settings)


class Guests(OnTheBus):
    def __init__(self):
        super().__init__()
        self.channel = open_channel(self.bus, self.queue, CHANNEL)

    def open(self, **settings):
        return can.Bus(interface="virtual", channel=CHANNEL, **settings)

    def close(self):
        self.channel.close()


@pytest.fixture(params=[Virtual, Ports, Guests], ids=["virtual", "port", "guest"])
def net(request):
    net = request.param()
    buses = []
    plain_open = net.open
    net.open = lambda **settings: buses.append(plain_open(**settings)) or buses[-1]
    yield net
    for bus in buses:
        bus.shutdown()
    net.close()


def message(identifier=0x123, data=b"\x01\x02\x03", **fields):
    fields.setdefault("is_extended_id", identifier > 0x7FF)
    return can.Message(arbitration_id=identifier, data=data, **fields)


def received(net, bus):
    net.settle()
    got = []
    while (one := bus.recv(0)) is not None:
        got.append(one)
    return got


def test_polling_an_empty_bus_returns_none(net):
    assert net.open().recv(0) is None


def test_a_message_reaches_every_other_bus_and_not_its_sender(net):
    one, two, three = net.open(), net.open(), net.open()
    one.send(message())
    assert [len(received(net, bus)) for bus in (one, two, three)] == [0, 1, 1]


@pytest.mark.parametrize(
    "sent",
    [
        message(),
        message(0x7FF, b""),
        message(0, bytes(8)),
        message(0x18DAF110, b"\xff"),
        message(0x123, None, is_remote_frame=True, dlc=3),
    ],
    ids=str,
)
def test_fields_arrive_as_they_were_sent(net, sent):
    one, two = net.open(), net.open()
    one.send(sent)
    (got,) = received(net, two)
    assert got.equals(sent, timestamp_delta=None, check_channel=False, check_direction=False)
    assert got.is_rx is True
    assert got.channel == CHANNEL
    assert got.timestamp > 0
    assert got is not sent


def test_messages_of_one_sender_arrive_in_the_order_sent(net):
    one, two = net.open(), net.open()
    for number in range(8):
        one.send(message(0x100, [number]))
    assert [got.data[0] for got in received(net, two)] == list(range(8))


def test_timestamps_do_not_go_backwards(net):
    one, two = net.open(), net.open()
    for number in range(5):
        one.send(message(0x100 + number))
    stamps = [got.timestamp for got in received(net, two)]
    assert len(stamps) == 5
    assert stamps == sorted(stamps)


@pytest.mark.parametrize(
    ("filters", "passing"),
    [
        (None, [0x100, 0x101, 0x18000100]),
        ([], [0x100, 0x101, 0x18000100]),
        ([{"can_id": 0x100, "can_mask": 0x7FF}], [0x100, 0x18000100]),
        ([{"can_id": 0x100, "can_mask": 0x7FF, "extended": False}], [0x100]),
        ([{"can_id": 0x100, "can_mask": 0x7FF, "extended": True}], [0x18000100]),
        (
            [{"can_id": 0x101, "can_mask": 0x7FF}, {"can_id": 0x18000100, "can_mask": 0x1FFFFFFF}],
            [0x101, 0x18000100],
        ),
        ([{"can_id": 0x000, "can_mask": 0x001}], [0x100, 0x18000100]),
    ],
)
def test_filters_let_through_what_matches_one_of_them(net, filters, passing):
    one, two = net.open(), net.open()
    two.set_filters(filters)
    for identifier in (0x100, 0x101, 0x18000100):
        one.send(message(identifier))
    net.settle()
    # recv(0) on a bus with software filters looks at one message per call
    got = [two.recv(0) for _ in range(6)]
    assert [one.arbitration_id for one in got if one is not None] == passing


def test_filters_can_be_given_on_opening_and_read_back(net):
    filters = [{"can_id": 0x100, "can_mask": 0x7FF}]
    assert net.open(can_filters=filters).filters == filters
    assert net.open().filters is None


def test_a_bus_is_a_context_manager_and_shutdown_is_idempotent(net):
    other = net.open()
    with net.open() as bus:
        bus.send(message())
        assert len(received(net, other)) == 1
    bus.shutdown()
    with pytest.raises(can.CanOperationError):
        bus.send(message())
    with pytest.raises(can.CanOperationError):
        bus.recv(0)


def test_the_state_of_a_healthy_bus_is_active(net):
    assert net.open().state is can.BusState.ACTIVE


# ---- periodic messages; a plain program's would need a thread, which virtual time has not


@pytest.fixture(params=[Virtual, Ports], ids=["virtual", "port"])
def pair(request):
    net = request.param()
    net.sender, net.receiver = net.open(), net.open()
    yield net
    net.sender.shutdown()
    net.receiver.shutdown()


def test_periodic_messages_come_again_and_again(pair):
    pair.sender.send_periodic(message(), 0.001)
    got = [pair.next_message(pair.receiver) for _ in range(3)]
    assert [bytes(one.data) for one in got] == [b"\x01\x02\x03"] * 3


def test_modified_data_is_sent_from_then_on(pair):
    task = pair.sender.send_periodic(message(data=b"\x01"), 0.001)
    assert bytes(pair.next_message(pair.receiver).data) == b"\x01"
    task.modify_data(message(data=b"\x02"))
    for _ in range(50):
        if bytes(pair.next_message(pair.receiver).data) == b"\x02":
            break
    else:
        pytest.fail("the new data never came")
    assert bytes(pair.next_message(pair.receiver).data) == b"\x02"


def test_modifying_another_identifier_or_number_is_an_error(pair):
    task = pair.sender.send_periodic(message(), 0.001)
    with pytest.raises(ValueError, match="arbitration ID"):
        task.modify_data(message(0x124))
    with pytest.raises(ValueError, match="number of new cyclic messages"):
        task.modify_data([message(), message()])


def test_messages_with_different_identifiers_do_not_make_one_task(pair):
    with pytest.raises(ValueError, match="Arbitration IDs should be the same"):
        pair.sender.send_periodic([message(1), message(2)], 0.001)


def test_an_empty_list_is_an_error(pair):
    with pytest.raises(ValueError, match="at least of length 1"):
        pair.sender.send_periodic([], 0.001)


def test_a_task_not_started_sends_nothing_until_it_is(pair):
    task = pair.sender.send_periodic(message(), 0.001, autostart=False)
    assert pair.receiver.recv(0) is None
    task.start()
    assert pair.next_message(pair.receiver) is not None


def test_a_modifier_changes_each_message_before_it_is_sent(pair):
    def count(it):
        it.data[0] += 1

    pair.sender.send_periodic(message(data=b"\x00"), 0.001, modifier_callback=count)
    got = [pair.next_message(pair.receiver).data[0] for _ in range(3)]
    assert got == [1, 2, 3]


def test_stopping_all_tasks_of_a_bus(pair):
    tasks = [pair.sender.send_periodic(message(n), 0.001) for n in (1, 2)]
    pair.sender.stop_all_periodic_tasks()
    assert all(task.stopped for task in tasks)
