"""The python-can face: errors that say what to do, exact periods, nothing that hangs."""

from __future__ import annotations

import copy
import re

import can
import pytest

from linkloss.bus.frame import Frame, length_bits
from linkloss.bus.port import BlockingReceive, Port

MESSAGE = can.Message(arbitration_id=0x123, data=b"\x01\x02", is_extended_id=False)


class Pair:
    def __init__(self, bench):
        self.bench = bench
        self.a = Port(bench["a"], bench.queue, "car")
        self.b = Port(bench["b"], bench.queue, "car")


@pytest.fixture
def pair(bench_of):
    pair = Pair(bench_of("a", "b"))
    yield pair
    pair.a.shutdown()
    pair.b.shutdown()


def test_a_received_message_carries_the_bus_time(pair):
    pair.a.send(MESSAGE)
    pair.bench.run()
    got = pair.b.recv(0)
    assert got.timestamp == length_bits(Frame(0x123, b"\x01\x02")) / 1e6
    assert (got.arbitration_id, bytes(got.data), got.dlc) == (0x123, b"\x01\x02", 2)
    assert (got.is_rx, got.channel, got.is_extended_id) == (True, "car", False)


def test_a_remote_frame_arrives_as_one(pair):
    pair.a.send(can.Message(arbitration_id=0x18DAF110, is_remote_frame=True, dlc=4))
    pair.bench.run()
    got = pair.b.recv(0)
    assert (got.is_remote_frame, got.dlc, bytes(got.data), got.is_extended_id) == (
        True,
        4,
        b"",
        True,
    )


def test_sending_does_not_touch_the_message(pair):
    message = copy.copy(MESSAGE)
    before = repr(message)
    pair.a.send(message)
    pair.bench.run()
    assert repr(message) == before


def test_what_a_message_holds_at_send_is_what_is_sent(pair):
    message = copy.deepcopy(MESSAGE)
    pair.a.send(message)
    message.data[0] = 0xFF
    pair.bench.run()
    assert bytes(pair.b.recv(0).data) == b"\x01\x02"


@pytest.mark.parametrize("timeout", [None, 0.5])
def test_a_receive_that_would_wait_says_what_to_do(pair, timeout):
    with pytest.raises(BlockingReceive, match=r"node 'a': recv\(.*\) would wait.*recv\(0\)"):
        pair.a.recv(timeout)


def test_a_waiting_receive_returns_what_is_there(pair):
    pair.a.send(MESSAGE)
    pair.bench.run()
    assert pair.b.recv() is not None


def test_iterating_ends_in_a_clear_error_instead_of_a_hang(pair):
    pair.a.send(MESSAGE)
    pair.bench.run()
    messages = iter(pair.b)
    assert next(messages).arbitration_id == 0x123
    with pytest.raises(BlockingReceive):
        next(messages)


def test_a_notifier_is_refused_at_once(pair):
    with pytest.raises(BlockingReceive, match="Notifier"):
        can.Notifier(pair.b, [])


def test_full_mailboxes_are_an_operation_error(pair):
    for _ in range(3):
        pair.a.send(MESSAGE)
    with pytest.raises(
        can.CanOperationError, match="node 'a' cannot send 123#0102: all 3 mailboxes are full"
    ):
        pair.a.send(MESSAGE)


def test_bus_off_is_an_operation_error_and_shows_in_the_state(pair):
    assert pair.a.state is can.BusState.ACTIVE
    pair.bench["a"].tec = 128
    pair.bench["a"].refresh_state()
    assert pair.a.state is can.BusState.PASSIVE
    pair.bench["a"].force_bus_off()
    assert pair.a.state is can.BusState.ERROR
    with pytest.raises(can.CanOperationError, match="bus-off"):
        pair.a.send(MESSAGE)
    with pytest.raises(NotImplementedError, match="follows from its error counters"):
        pair.a.state = can.BusState.ACTIVE


@pytest.mark.parametrize(
    ("message", "text"),
    [
        (can.Message(is_fd=True, data=bytes(8)), "CAN FD"),
        (can.Message(is_error_frame=True), "error frame"),
        (can.Message(arbitration_id=1, dlc=4, data=b"\x01"), "DLC 4 goes with 4 bytes"),
    ],
)
def test_what_is_not_a_classical_frame_is_refused(pair, message, text):
    with pytest.raises(ValueError, match=text):
        pair.a.send(message)


def test_every_attempt_is_told_even_a_refused_one(pair):
    attempts = []
    pair.a.on_attempt = attempts.append
    for _ in range(3):
        pair.a.send(MESSAGE)
    with pytest.raises(can.CanOperationError):
        pair.a.send(MESSAGE)
    assert attempts == [MESSAGE] * 4


def test_filters_are_the_controllers(pair):
    pair.b.set_filters([{"can_id": 0x123, "can_mask": 0x7FF, "extended": True}])
    assert pair.bench["b"].filters == [(0x123, 0x7FF, True)]
    pair.b.set_filters(None)
    assert pair.bench["b"].filters == []


def test_a_new_port_leaves_the_controllers_filters_alone(bench_of):
    bench = bench_of("a")
    bench["a"].filters = [(1, 1, None)]
    Port(bench["a"], bench.queue, "car").shutdown()
    assert bench["a"].filters == [(1, 1, None)]
    Port(bench["a"], bench.queue, "car", [{"can_id": 2, "can_mask": 2}]).shutdown()
    assert bench["a"].filters == [(2, 2, None)]


def test_flush_drops_what_waits(pair):
    pair.a.send(MESSAGE)
    pair.a.flush_tx_buffer()
    pair.bench.run()
    assert pair.b.recv(0) is None


def test_a_shut_down_port_refuses_and_its_tasks_stop(pair):
    pair.a.send_periodic(MESSAGE, 0.01)
    pair.bench.run(15_000)
    pair.a.shutdown()
    pair.a.shutdown()
    pair.bench.run(100_000)
    assert len(pair.bench.records) == 2
    for call in (lambda: pair.a.send(MESSAGE), lambda: pair.a.recv(0)):
        with pytest.raises(can.CanOperationError, match="port of node 'a' is shut down"):
            call()


# ---- periodic messages


def starts(pair):
    return [record.start_ns for record in pair.bench.records]


def test_one_second_at_100_ms_are_ten_messages_exactly_on_time(pair):
    task = pair.a.send_periodic(MESSAGE, 0.1, duration=1.0)
    pair.bench.run(5_000_000)
    assert starts(pair) == [n * 100_000_000 for n in range(10)]
    assert task.stopped


def test_modifying_keeps_the_phase(pair):
    task = pair.a.send_periodic(MESSAGE, 0.01)
    changed = can.Message(arbitration_id=0x123, data=b"\xff", is_extended_id=False)
    pair.bench.at(25_000, task.modify_data, changed)
    pair.bench.run(45_000)
    assert starts(pair) == [n * 10_000_000 for n in range(5)]
    assert [len(record.frame.data) for record in pair.bench.records] == [2, 2, 2, 1, 1]


def test_modifying_the_identifier_is_refused(pair):
    task = pair.a.send_periodic(MESSAGE, 0.01)
    with pytest.raises(ValueError, match="arbitration ID"):
        task.modify_data(can.Message(arbitration_id=0x124, is_extended_id=False))


def test_a_restarted_task_has_a_new_phase_and_a_new_duration(pair):
    task = pair.a.send_periodic(MESSAGE, 0.01, duration=0.02)
    pair.bench.at(55_000, task.start)
    pair.bench.run(200_000)
    assert starts(pair) == [0, 10_000_000, 55_000_000, 65_000_000]


def test_starting_twice_does_not_double_and_stopping_twice_is_harmless(pair):
    task = pair.a.send_periodic(MESSAGE, 0.01, autostart=False)
    pair.bench.run(20_000)
    assert starts(pair) == []
    task.start()
    task.start()
    pair.bench.run(5_000)
    task.stop()
    task.stop()
    pair.bench.run(100_000)
    assert starts(pair) == [20_000_000]


def test_messages_take_turns(pair):
    messages = [can.Message(arbitration_id=0x123, data=[n], is_extended_id=False) for n in range(3)]
    pair.a.send_periodic(messages, 0.01)
    pair.bench.run(45_000)
    assert [record.frame.data[0] for record in pair.bench.records] == [0, 1, 2, 0, 1]


def test_a_modifier_may_count(pair):
    def count(message):
        message.data[0] = (message.data[0] + 1) & 0x0F

    pair.a.send_periodic(copy.deepcopy(MESSAGE), 0.01, modifier_callback=count)
    pair.bench.run(35_000)
    assert [record.frame.data[0] for record in pair.bench.records] == [2, 3, 4, 5]


def test_a_turn_that_cannot_be_sent_is_left_out_and_the_next_comes_on_time(pair):
    task = pair.a.send_periodic(MESSAGE, 0.01)
    pair.bench.at(5_000, pair.bench["a"].force_bus_off)
    pair.bench.at(15_000, pair.bench["a"].request_recovery)
    pair.bench.run(25_000)
    assert starts(pair) == [0, 20_000_000]
    assert task.missed == 1


@pytest.mark.parametrize("period", [0, -1])
def test_a_period_must_be_positive(pair, period):
    with pytest.raises(ValueError, match=re.escape(f"longer than 0 s, not {period}")):
        pair.a.send_periodic(MESSAGE, period)
