"""A board that sleeps: what stays, what stops, what wakes it, and that the program starts anew."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import can
import pytest
from life_car import Log, program, run
from supply_car import drive, supplied

from linkloss_nodes import MS


def sleeper(at_ms=40, *, log=None, before=None, **how):
    """A program that goes to sleep so many ms behind its first start, once."""

    def start(self):
        if log is not None:
            log(self.board, "start")
        if "slept" not in self.board.memory:
            self.board.after(at_ms * MS, self.nap)

    def nap(self):
        self.board.memory["slept"] = True
        if before is not None:
            before(self.board)
        self.board.sleep(**how)
        raise AssertionError("nothing behind the call runs")

    return program(start=start, nap=nap)


def test_asleep_is_a_state_and_waking_a_boot():
    """Running from 20 ms on, asleep at 60 ms; the switch moves at 100 ms."""
    log = Log()
    ran = run(sleeper(log=log), switch=[(100, "on")])
    assert ran.states() == [
        (0, "reset", "power-up"), (20, "running", "boot"),
        (60, "asleep", "program"), (100, "reset", "wake"), (120, "running", "boot"),
    ]  # fmt: skip
    assert ran.recording.nodes["unit"][3].by == "switch"
    assert log == [(20, "start"), (120, "start")]


def test_an_input_that_is_not_armed_wakes_nobody():
    asleep = run(sleeper(inputs=()), switch=[(100, "on")])
    assert asleep.states()[-1] == (60, "asleep", "program")


def test_outputs_stay_as_they_were_until_the_program_drives_them():
    """The lamp is lit as it falls asleep, the heater off; neither falls back to its default."""

    def before(board):
        board.write("lamp", 1.0)
        board.write("heater", 0.0)

    ran = run(sleeper(before=before), switch=[(100, "on")])
    assert ran.load("lamp") == [(0, 0.0), (60, 1.0)]
    assert ran.load("heater") == [(0, 1.0), (60, 0.0)]


def test_what_hardware_does_by_itself_goes_on_where_the_program_never_drove():
    ran = run(sleeper(inputs=()), switch=[(100, "on"), (150, "off")])
    assert ran.load("brake") == [(0, 0.0), (100, 1.0), (150, 0.0)]


def test_timers_and_the_watchdog_rest():
    log = Log()

    def before(board):
        board.start_watchdog(50 * MS)
        board.every(10 * MS, log, board, "tick")

    ran = run(sleeper(before=before), lasts_ms=300)
    assert ran.states()[-1] == (60, "asleep", "program")
    assert log == []


def test_asleep_it_gives_no_acknowledgement():
    """The other node's frames at 80 ms and later fail while it is the only one awake."""
    awake = run(program(), lasts_ms=200)
    asleep = run(sleeper(inputs=()), lasts_ms=200)
    assert awake.beats() == [30, 80, 130, 180]
    assert asleep.beats() == [30]
    errors = {record.error for record in asleep.recording.frames if record.start_ns > 60 * MS}
    assert errors == {"ack"}


def test_any_frame_wakes_a_common_transceiver_even_one_that_nobody_acknowledged():
    """The frame begins at 80 ms, fails in its ACK slot for want of a listener, and is lost."""
    log = Log()
    ran = run(sleeper(log=log, frames=True), lasts_ms=200)
    woke = ran.recording.nodes["unit"][3]
    assert (woke.state, woke.cause, woke.by) == ("reset", "wake", "Beat")
    assert 80 * MS < woke.at_ns < 81 * MS
    assert len(log.entries) == 2


def test_selective_wake_up_takes_whole_frames_of_its_messages_alone():
    """Neither what has another name wakes it, nor one that failed."""

    def frames(session):
        host = session.hosts["unit"]
        host.heard("Answer", whole=True)
        assert host.state == "asleep"
        host.heard("Beat", whole=False)
        assert host.state == "asleep"
        host.heard("Beat", whole=True)
        assert host.state == "reset"

    run(sleeper(frames=["Beat"]), at=[(70, frames)])


def test_an_unplugged_sleeper_hears_nobody():
    ran = run(sleeper(frames=True), ("unplug", 65, 170), lasts_ms=300)
    woke = ran.recording.nodes["unit"][3]
    assert woke.at_ns > 170 * MS


def test_what_waits_in_the_controller_is_lost():
    def before(board):
        board.bus.send(can.Message(arbitration_id=257, data=[7], is_extended_id=False))

    ran = run(sleeper(before=before), switch=[(100, "on")])
    assert ran.answers() == []


def test_a_reset_or_a_loss_of_supply_ends_a_sleep_like_any_other_life():
    ran = run(sleeper(), ("reset", 100, None))
    assert ran.states()[2:] == [
        (60, "asleep", "program"), (100, "reset", "fault"), (120, "running", "boot"),
    ]  # fmt: skip
    assert ran.load("heater") == [(0, 1.0)]


def test_a_coroutine_may_put_its_board_to_sleep():
    async def nap(self):
        await asyncio.sleep(0.04)
        if self.board.memory.setdefault("naps", 0) == 0:
            self.board.memory["naps"] = 1
            self.board.sleep()

    ran = run(program(run=nap), switch=[(100, "on")])
    assert [state for _, state, _ in ran.states()] == [
        "reset", "running", "asleep", "reset", "running",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("how", "told"),
    [({"inputs": ["swich"]}, "swich"), ({"frames": ["Beet"]}, "Beet")],
)
def test_a_name_that_does_not_exist_is_the_programs_mistake(how, told):
    ran = run(sleeper(**how))
    assert ran.states()[-1][1] == "crashed"
    assert told in ran.recording.crashes[0].text


def test_asleep_it_draws_what_is_declared():
    """Rear draws 0.1 A awake, 2 mA asleep: 100 ms to 500 ms, and again awake behind that."""
    vehicle = supplied()
    supply = vehicle.nodes["rear"].supply.model_copy(update={"sleeping": 0.002})
    nodes = {**vehicle.nodes, "rear": vehicle.nodes["rear"].model_copy(update={"supply": supply})}
    rear = sleeper(80)
    vehicle = replace(
        vehicle,
        file=vehicle.file.model_copy(update={"nodes": nodes}),
        programs={**vehicle.programs, "rear": rear},
    )
    amps = []

    def look(session):
        amps.append(session.power.network.feed_amps("rear"))
        session.queue.after(200 * MS, look, session)

    run = drive(vehicle=vehicle, lights=[(500, "on")], at=(50, look))
    assert [state for _, state, _ in run.states("rear")][2:] == ["asleep", "reset", "running"]
    assert amps == pytest.approx([0.1, 0.002, 0.002, 0.1, 0.1], rel=0.01)
