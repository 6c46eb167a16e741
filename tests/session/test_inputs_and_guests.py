"""What reaches a program from outside: input edges, and plain python-can programs on the bus."""

from __future__ import annotations

import can
import pytest
from life_car import Log, program, run, scenario

from linkloss.session import Session, simulate
from linkloss_nodes import MS


def test_a_program_is_told_of_each_edge_of_its_inputs_with_the_new_value():
    log = Log()

    def on_input(self, name, value):
        log(self.board, (name, value, self.board.read(name)))

    run(program(on_input=on_input), switch=[(50, "on"), (60, "on"), (70, "off")])
    assert log == [(50, ("switch", "on", "on")), (70, ("switch", "off", "off"))]


def test_an_edge_of_before_the_program_started_is_read_but_not_told():
    log = Log()
    unit = program(
        start=lambda self: log(self.board, self.board.read("switch")),
        on_input=lambda self, name, value: log(self.board, "told"),
    )
    run(unit, switch=[(10, "on")])
    assert log == [(20, "on")]


def test_an_edge_at_an_instant_comes_before_the_timers_of_that_instant():
    log = Log()

    def start(self):
        self.board.after(30 * MS, lambda: log(self.board, self.board.read("switch")))

    run(program(start=start), switch=[(50, "on")])
    assert log == [(50, "on")]


def test_inputs_and_what_nodes_read_of_them_are_recorded():
    ran = run(program(), switch=[(50, "on")])
    assert ran.recording.inputs["switch"].changes() == [(0, "off"), (50 * MS, "on")]
    assert ran.recording.seen["switch", "unit"] == ran.recording.inputs["switch"]
    assert ran.recording.seen["far_switch", "other"].changes() == [(0, "off")]
    assert ran.recording.actions == [(50 * MS, {"switch": "on"})]


def test_a_plain_python_can_program_on_the_channel_hears_the_nodes():
    heard = []

    def open_bus(session):
        session.guest = can.Bus(interface="virtual", channel="life")

    def look(session):
        while (message := session.guest.recv(0)) is not None:
            heard.append((round(message.timestamp * 1000), message.arbitration_id, message.data[0]))
        session.guest.shutdown()

    session = Session(scenario(program()))
    session.queue.at(100 * MS, open_bus, session)
    session.queue.at(290 * MS, look, session)
    session.run()
    assert heard == [(130, 256, 3), (180, 256, 4), (230, 256, 5), (280, 256, 6)]


def test_a_plain_python_can_program_on_the_channel_is_heard_by_the_nodes_through_the_bus():
    log = Log()

    def talk(session):
        guest = can.Bus(interface="virtual", channel="life")
        guest.send(can.Message(arbitration_id=0x300, data=[5], is_extended_id=False))
        session.queue.after(20 * MS, guest.shutdown)

    unit = program(on_frame=lambda self, message: log(self.board, message.arbitration_id))
    ran = run(unit, at=[(100, talk)], lasts_ms=125)
    assert [number for _, number in log.entries] == [256, 256, 0x300]
    at_ms = log.entries[-1][0]
    assert 100.2 < at_ms < 100.3  # 55 bits and some stuff bits at 250 kbit/s
    (record,) = [r for r in ran.recording.frames if r.frame.identifier == 0x300]
    assert record.receivers == ("unit", "other")


def test_a_plain_program_on_another_channel_takes_no_part():
    with can.Bus(interface="virtual", channel="elsewhere") as bus:
        ran = run(program(), at=[(50, lambda _: bus.send(can.Message(arbitration_id=0x300)))])
        assert bus.recv(0) is None
    assert {record.frame.identifier for record in ran.recording.frames} == {256}


def test_the_channel_is_python_cans_own_again_after_the_run():
    simulate(scenario(program(), lasts_ms=50))
    with (
        can.Bus(interface="virtual", channel="life") as one,
        can.Bus(interface="virtual", channel="life") as two,
    ):
        one.send(can.Message(arbitration_id=1))
        message = two.recv(0)
    assert message is not None
    assert message.arbitration_id == 1


def test_the_channel_is_python_cans_own_again_after_a_run_that_failed():
    def fail(_session):
        raise ArithmeticError("the bench itself")

    with pytest.raises(ArithmeticError):
        run(program(), at=[(50, fail)])
    assert run(program()).beats()


def test_what_programs_hand_to_their_controllers_is_recorded_even_when_it_is_refused():
    def start(self):
        for number in range(5):
            message = can.Message(arbitration_id=257, data=[number], is_extended_id=False)
            try:
                self.board.bus.send(message)
            except can.CanOperationError:
                self.full = number

    ran = run(program(start=start))
    assert [handed.data[0] for handed in ran.recording.handed["Answer"]] == [0, 1, 2, 3, 4]
    assert [data[0] for _, data in ran.answers()] == [0, 1, 2]


def test_a_message_that_belongs_to_another_node_is_not_recorded_as_handed():
    def start(self):
        self.board.bus.send(can.Message(arbitration_id=256, data=[9], is_extended_id=False))

    ran = run(program(start=start), lasts_ms=25)
    assert ran.recording.handed == {}
