"""What python-can documents of a bus holds for ``interface="linkloss"`` as for its own ``virtual``:
one class, run on both, with threads and real time.

Source: the docstrings of can.BusABC, can.Notifier, can.broadcastmanager and can.interfaces.virtual
(python-can 4.6).
"""

from __future__ import annotations

import asyncio
import threading

import can
import pytest

from linkloss.clock.wallclock import epoch_ns, monotonic_seconds

SOON = 5.0
"""Long enough for a busy machine; nothing waits for the whole of it unless it fails."""


def message(identifier=0x123, data=b"\x01\x02\x03", **fields):
    fields.setdefault("is_extended_id", identifier > 0x7FF)
    return can.Message(arbitration_id=identifier, data=data, **fields)


@pytest.fixture(params=["linkloss", "virtual"])
def net(request, plugged_in):
    """Opens buses on one channel of an interface and shuts them all down."""
    channel = f"contract of {request.node.name}"
    buses = []

    def open_bus(**settings):
        bus = can.Bus(interface=request.param, channel=channel, **settings)
        buses.append(bus)
        return bus

    yield open_bus
    for bus in buses:
        bus.shutdown()


def drained(bus, number):
    """So many messages of a bus; fewer if they do not come soon."""
    got = []
    while len(got) < number and (one := bus.recv(SOON)) is not None:
        got.append(one)
    return got


class TestBus:
    def test_recv_returns_none_once_its_time_is_out(self, net):
        bus, other = net(), net()
        begun = monotonic_seconds()
        assert bus.recv(0) is None
        assert bus.recv(0.03) is None
        assert monotonic_seconds() - begun >= 0.03
        other.send(message())
        assert bus.recv(SOON) is not None

    def test_a_blocking_recv_is_woken_by_a_message_of_another_thread(self, net):
        bus, other = net(), net()
        got = []
        waiting = threading.Thread(target=lambda: got.append(bus.recv()))
        waiting.start()
        other.send(message(0x321))
        waiting.join(SOON)
        assert not waiting.is_alive()
        assert got[0].arbitration_id == 0x321

    @pytest.mark.parametrize("length", [0, 1, 8, 12, 16, 20, 24, 32, 48, 64])
    @pytest.mark.parametrize("switch", [False, True])
    @pytest.mark.parametrize("identifier", [0x123, 0x1ABCDEF])
    def test_a_fd_message_arrives_as_it_was_sent(self, net, length, switch, identifier):
        """Source: python-can's own tests from one bus to another send such messages both ways."""
        one, two = net(fd=True), net(fd=True)
        sent = message(identifier, bytes(range(length)), is_fd=True, bitrate_switch=switch)
        for bus, other in ((one, two), (two, one)):
            bus.send(sent)
            got = other.recv(SOON)
            assert got is not None
            assert got.equals(
                sent, timestamp_delta=None, check_direction=False, check_channel=False
            )

    def test_classical_and_fd_messages_share_a_bus_with_fd(self, net):
        one, two = net(fd=True), net(fd=True)
        for fd in (False, True, False):
            one.send(message(is_fd=fd))
        assert [got.is_fd for got in drained(two, 3)] == [False, True, False]

    def test_a_message_reaches_every_other_bus_and_not_its_sender(self, net):
        one, two, three = net(), net(), net()
        one.send(message())
        assert two.recv(SOON) is not None
        assert three.recv(SOON) is not None
        assert one.recv(0) is None

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
    def test_fields_arrive_as_they_were_sent(self, net, sent):
        one, two = net(), net()
        before = epoch_ns() / 1e9
        one.send(sent)
        got = two.recv(SOON)
        assert got.equals(sent, timestamp_delta=None, check_channel=False, check_direction=False)
        assert got.is_rx is True
        assert got is not sent
        assert before - 0.001 <= got.timestamp <= epoch_ns() / 1e9 + 0.001  # since the epoch

    def test_own_messages_come_back_if_asked_for(self, net):
        own, other = net(receive_own_messages=True), net()
        own.send(message(0x55))
        back = own.recv(SOON)
        assert (back.arbitration_id, back.is_rx) == (0x55, False)
        assert other.recv(SOON).is_rx is True

    def test_messages_of_one_sender_arrive_in_the_order_sent(self, net):
        one, two = net(), net()
        for number in range(40):
            one.send(message(0x100 + 7 * number % 13, [number]))
        assert [got.data[0] for got in drained(two, 40)] == list(range(40))

    def test_timestamps_do_not_go_backwards(self, net):
        one, two, three = net(), net(), net()
        for number in range(10):
            one.send(message(0x100 + number))
            two.send(message(0x200 + number))
        stamps = [got.timestamp for got in drained(three, 20)]
        assert len(stamps) == 20
        assert stamps == sorted(stamps)

    @pytest.mark.parametrize(
        ("filters", "passing"),
        [
            (None, [0x100, 0x101, 0x18000100]),
            ([], [0x100, 0x101, 0x18000100]),
            ([{"can_id": 0x100, "can_mask": 0x7FF}], [0x100, 0x18000100]),
            ([{"can_id": 0x100, "can_mask": 0x7FF, "extended": False}], [0x100]),
            ([{"can_id": 0x100, "can_mask": 0x7FF, "extended": True}], [0x18000100]),
            ([{"can_id": 0x101, "can_mask": 0x1FFFFFFF}, {"can_id": 0, "can_mask": 1}], None),
        ],
    )
    def test_filters_let_through_what_matches_one_of_them(self, net, filters, passing):
        one, two, end = net(), net(can_filters=filters), net()
        assert two.filters == (filters or None)
        for identifier in (0x100, 0x101, 0x18000100):
            one.send(message(identifier))
        assert len(drained(end, 3)) == 3  # all are through
        passing = [0x100, 0x101, 0x18000100] if passing is None else passing
        assert [one.arbitration_id for one in drained(two, len(passing))] == passing
        assert [two.recv(0) for _ in range(3)] == [None] * 3

    def test_filters_can_be_changed(self, net):
        one, two = net(), net(can_filters=[{"can_id": 0x100, "can_mask": 0x7FF}])
        two.set_filters([{"can_id": 0x200, "can_mask": 0x7FF}])
        one.send(message(0x100))
        one.send(message(0x200))
        assert two.recv(SOON).arbitration_id == 0x200
        two.set_filters()
        one.send(message(0x100))
        assert two.recv(SOON).arbitration_id == 0x100

    def test_a_bus_iterates_over_its_messages(self, net):
        one, two = net(), net()
        for number in range(3):
            one.send(message(number))
        numbers = []
        for got in two:
            numbers.append(got.arbitration_id)
            if len(numbers) == 3:
                break
        assert numbers == [0, 1, 2]

    def test_periodic_messages_come_again_and_again_until_stopped(self, net):
        one, two = net(), net()
        task = one.send_periodic(message(data=b"\x01"), 0.002)
        assert len(drained(two, 4)) == 4
        task.modify_data(message(data=b"\x02"))
        while two.recv(SOON).data[0] == 1:
            pass
        task.stop()
        while two.recv(0.02) is not None:
            pass
        task.start()
        assert two.recv(SOON).data[0] == 2
        task.stop()  # a task that was started again is no longer on the list of its bus
        task.thread.join(SOON)

    def test_a_periodic_task_ends_with_its_duration(self, net):
        one, two = net(), net()
        task = one.send_periodic(message(), 0.01, duration=0.035)
        task.thread.join(SOON)
        assert 2 <= len(drained(two, 2)) <= 5

    def test_shutdown_stops_periodic_messages(self, net):
        one, two = net(), net()
        task = one.send_periodic(message(), 0.002)
        assert two.recv(SOON) is not None
        one.shutdown()
        task.thread.join(SOON)
        assert not task.thread.is_alive()

    def test_what_was_sent_before_a_shutdown_arrives(self, net):
        two = net()
        with net() as one:
            for number in range(5):
                one.send(message(number))
        assert len(drained(two, 5)) == 5

    def test_a_bus_is_a_context_manager_and_shutdown_is_idempotent(self, net):
        net()
        with net() as bus:
            bus.send(message())
        bus.shutdown()
        with pytest.raises(can.CanOperationError):
            bus.send(message())
        with pytest.raises(can.CanOperationError):
            bus.recv(0)

    def test_a_notifier_hands_messages_to_its_listeners(self, net):
        one, two = net(), net()
        reader, seen = can.BufferedReader(), []
        with can.Notifier(two, [reader, seen.append], timeout=0.05):
            for number in range(3):
                one.send(message(number))
            got = [reader.get_message(SOON).arbitration_id for _ in range(3)]
        assert got == [0, 1, 2]
        assert len(seen) == 3

    def test_one_notifier_serves_several_buses(self, net):
        one, two, three = net(), net(), net()
        reader = can.BufferedReader()
        with can.Notifier([two, three], [reader], timeout=0.05):
            one.send(message())
            assert reader.get_message(SOON) is not None
            assert reader.get_message(SOON) is not None

    def test_a_listener_answers_from_the_thread_of_its_notifier(self, net):
        one, two = net(), net()
        with can.Notifier(two, [lambda got: two.send(message(got.arbitration_id + 1))], 0.05):
            one.send(message(0x10))
            assert one.recv(SOON).arbitration_id == 0x11

    def test_a_notifier_works_on_an_asyncio_loop(self, net):
        one, two = net(), net()

        async def hear():
            reader = can.AsyncBufferedReader()
            notifier = can.Notifier(two, [reader], timeout=0.05, loop=asyncio.get_running_loop())
            one.send(message(0x77))
            got = await asyncio.wait_for(reader.get_message(), SOON)
            await asyncio.to_thread(notifier.stop)
            return got.arbitration_id

        assert asyncio.run(hear()) == 0x77

    def test_threads_send_on_buses_of_their_own_and_nothing_is_lost(self, net):
        ear = net()
        buses = [net() for _ in range(4)]

        def send(bus, first):
            for number in range(25):
                bus.send(message(first, [number]))

        threads = [
            threading.Thread(target=send, args=(bus, 0x100 * (n + 1)))
            for n, bus in enumerate(buses)
        ]
        for thread in threads:
            thread.start()
        got = drained(ear, 100)
        for thread in threads:
            thread.join(SOON)
        for n in range(4):
            own = [one.data[0] for one in got if one.arbitration_id == 0x100 * (n + 1)]
            assert own == list(range(25))

    def test_the_state_of_a_healthy_bus_is_active(self, net):
        assert net().state is can.BusState.ACTIVE

    def test_a_bus_takes_a_thread_safe_wrapper(self, net, request):
        one = net()
        safe = can.ThreadSafeBus(
            interface=request.node.callspec.params["net"],
            channel=f"contract of {request.node.name}",
        )
        one.send(message(0x99))
        assert safe.recv(SOON).arbitration_id == 0x99
        safe.shutdown()

    def test_a_bounded_receive_queue_keeps_no_more_than_it_holds(self, net):
        one, two, end = net(), net(rx_queue_size=4), net()
        for number in range(4):
            one.send(message(number))
        assert len(drained(end, 4)) == 4
        assert [got.arbitration_id for got in drained(two, 4)] == [0, 1, 2, 3]
