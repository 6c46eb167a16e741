"""A live session with endpoints: everything goes through the bus, and runs again the same."""

from __future__ import annotations

import os
import re
import threading
from itertools import pairwise

import pytest
from serve_lab import SOON, Program

from linkloss.bus import FdFrame, Frame
from linkloss.live.driven import LiveSession
from linkloss.live.opened import Doors, OpenBus, outside_of
from linkloss.live.service import save
from linkloss.problem import BadInput
from linkloss.scenario import load_scenario, timed_fault
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle


@pytest.fixture
def vehicle(request):
    return load_vehicle(request.config.rootpath / "scenarios" / "wren" / "vehicle.toml")


@pytest.fixture
def fd_vehicle(vehicle, tmp_path):
    """The same car with controllers that know CAN FD."""
    text = vehicle.path.read_text(encoding="utf-8")
    dbc = (vehicle.path.parent / "../../dbc/wren.dbc").resolve().as_posix()
    text = text.replace("../../dbc/wren.dbc", dbc)
    text = re.sub(r"^\[nodes\.\w+\]$", r"\g<0>\nfd = true", text, flags=re.MULTILINE)
    (tmp_path / "vehicle.toml").write_text(text, encoding="utf-8")
    return load_vehicle(tmp_path / "vehicle.toml")


@pytest.fixture
def served(vehicle):
    """Starts a session with programs; ends it."""
    opened, said = [], []

    def start(*programs, vehicle=vehicle, **settings):
        live = LiveSession(vehicle, outside=outside_of(programs), **settings)
        bus = OpenBus(live, programs, said.append)
        thread = threading.Thread(target=live.run)
        opened.append((live, bus, thread))
        thread.start()
        return live, bus

    start.said = said

    def stop():
        for live, bus, thread in opened:
            bus.close()
            live.end()
            thread.join(SOON)

    start.stop = stop
    yield start
    stop()


def until(live, holds):
    """What the session amounts to once its recording shows something."""
    while True:
        excerpt = live.excerpt().result(timeout=SOON)
        if holds(excerpt.recording):
            return excerpt


def test_programs_hear_the_car_and_each_other_and_not_themselves(served):
    one, two = Program("one"), Program("two")
    served(one, two)
    assert one.hear(0x0A0) is not None
    one.to_bus.put(Frame(0x650, b"\x01"))
    assert two.hear(0x650).data == b"\x01"
    two.to_bus.put(Frame(0x651, b"\x02"))
    assert one.hear(0x651).data == b"\x02"
    assert 0x651 not in [frame.identifier for frame in list(two.from_bus.queue)]


def test_programs_on_a_bus_of_can_fd_know_it_too(served, fd_vehicle, tmp_path):
    one, two = Program("one"), Program("two")
    live, bus = served(one, two, vehicle=fd_vehicle)
    assert two.hear(0x0A0) is not None
    one.to_bus.put(FdFrame(0x650, bytes(range(12))))
    assert two.hear(0x650) == FdFrame(0x650, bytes(range(12)))
    assert bus.endpoints[0].line.fd
    excerpt = until(live, lambda seen: seen.outside)
    served.stop()
    again = load_scenario(save(excerpt.scenario, tmp_path, "again"))
    assert simulate(again) == excerpt.recording


def test_a_session_runs_again_without_the_programs_to_the_same_recording(served, vehicle, tmp_path):
    one, two = Program("one"), Program("two")
    faults = [timed_fault("cut(gauge,rear)@200ms+100ms", vehicle)]
    live, _ = served(one, two, situation="rain", faults=faults)
    for number in range(40):
        one.to_bus.put(Frame(0x0A1, bytes([number])))
        two.to_bus.put(Frame(0x150, bytes([number, number])))
    live.act({"lights": "dipped"})
    assert two.hear(0x0A1).data == b"\x00"
    until(live, lambda seen: seen.faults and seen.faults[0].cleared_ns)
    two.to_bus.put(Frame(0x151))
    excerpt = until(live, lambda seen: len(seen.outside) == 83)
    served.stop()
    path = save(excerpt.scenario, tmp_path, "again")
    again = load_scenario(path)
    assert again.outside == excerpt.scenario.outside
    assert simulate(again) == excerpt.recording


def test_frames_of_a_program_are_arbitrated_like_all_others(served):
    """All sent at once: they leave one after the other, with the car's frames in between."""
    one = Program("one")
    live, _ = served(one, Program("two"))
    for number in range(30):
        one.to_bus.put(Frame(0x700, bytes([number] * 8)))
    excerpt = until(live, lambda seen: sum(r.sender == "one" for r in seen.frames) == 30)
    frames = excerpt.recording.frames
    assert all(first.end_ns <= second.start_ns for first, second in pairwise(frames))
    assert [r.frame.data[0] for r in frames if r.sender == "one"] == list(range(30))


def test_an_endpoint_that_fails_is_told_and_goes_off_the_bus(served):
    one, two = Program("one"), Program("two")
    live, _ = served(one, two)
    one.to_bus.put(OSError("the plug was pulled"))
    excerpt = until(live, lambda seen: seen.outside and seen.outside[-1].presence == "off")
    assert served.said == ["one: is lost: the plug was pulled"]
    assert excerpt.recording.outside[-1].name == "one"


def test_one_endpoint_that_cannot_be_opened_closes_the_others(vehicle):
    good, bad = Program("good"), Program("bad")
    live = LiveSession(vehicle, outside=outside_of([good, bad]))
    with pytest.raises(BadInput, match="it cannot be opened"):
        OpenBus(live, [good, bad])
    assert good.disconnected
    assert not bad.disconnected
    live.session.end()
    live.session.loop.close()


def test_more_than_the_queue_of_a_controller_holds_is_refused_and_counted(served):
    one = Program("one")
    live, bus = served(one)
    for _ in range(400):  # takes the bus 170 ms
        one.to_bus.put(Frame(0x7FF, bytes(8)))
    until(live, lambda seen: len(seen.outside) == 401)
    sent = until(live, lambda seen: True).recording
    refused = live.session.outsiders.refused["one"]
    assert 0 < refused <= 400 - 64
    assert bus.accounts()[0] == (
        f"one: {refused} frames found no free place in the queue of its controller"
    )
    assert sum(record.sender == "one" for record in sent.frames) <= 400 - refused


def test_doors_open_for_each_session_that_begins_and_close_behind_it(vehicle):
    told = []
    doors = Doors(["slcan"], told.append)
    sessions = [doors.begin(lambda outside: LiveSession(vehicle, outside=outside)) for _ in "ab"]
    paths = [re.search(r"channel=\"(.+?)\"", text)[1] for text in told]
    assert all(text.startswith("slcan1: can.Bus(") for text in told)
    assert len(paths) == 2
    assert [live.session.outsiders.outside.programs for live in sessions] == [("slcan1",)] * 2
    os.close(os.open(paths[-1], os.O_RDWR | os.O_NOCTTY))  # the last one is there
    doors.close()
    with pytest.raises(OSError):
        os.open(paths[-1], os.O_RDWR | os.O_NOCTTY)


def test_without_a_word_nothing_is_opened(vehicle):
    seen = []
    doors = Doors([], pytest.fail)
    doors.begin(lambda outside: seen.append(outside) or LiveSession(vehicle))
    assert seen == [None]
    doors.close()
