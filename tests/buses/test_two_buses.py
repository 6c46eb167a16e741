"""Two buses on one clock: what happens on one leaves the messages and loads of the other alone."""

from __future__ import annotations

import json

import can
import pytest

from linkloss.campaign.run import run
from linkloss.faults.catalogue import catalogue
from linkloss.problem import BadInput
from linkloss.recording import read_recording
from linkloss.report.export import write_log
from linkloss.report.html import write_run_page
from linkloss.report.machine import run_json
from linkloss.scenario import load_scenario
from linkloss.session import Session

MS = 1_000_000
SHORT = 'fault = "short"\nbeside = "rear"\ncontact = "CAN_H-CAN_L"\n'
FLOOD = 'fault = "flood"\nnode = "dash"\n'
NOISE = 'fault = "noise"\nshare = 0.001\nbus = "body"\n'
OPEN = 'fault = "unterminated"\nterminators = 0\nbus = "body"\n'
BUS_OFF = 'fault = "bus_off"\nnode = "cooler"\n'


@pytest.fixture
def story(two_buses):
    """A scenario of the car, from its steps: ``(at, text)``."""

    def told(*steps: tuple[str, str], lasts: str = "3 s"):
        text = f'title = "Story"\nvehicle = "vehicle.toml"\nlasts = "{lasts}"\n'
        text += 'inputs = { lights = "off", thermostat = "off" }\n'
        for at, step in sorted(steps):
            text += f'\n[[steps]]\nat = "{at}"\n{step}'
        path = two_buses.path.with_name("story.toml")
        path.write_text(text, encoding="utf-8")
        return load_scenario(path)

    return told


def frames_of(recording, bus):
    return [record for record in recording.frames if record.bus == bus]


def broken(result):
    return {(v.subject, v.rule) for v in result.verdicts if v.outcome.value == "broken"}


def kept(result):
    return {(v.subject, v.rule) for v in result.verdicts if v.outcome.value == "kept"}


def test_a_frame_is_heard_on_its_own_bus_only_and_takes_the_time_of_that_bus(story):
    recording = run(story()).recording
    assert {bus: set(senders) for bus, senders in recording.on_bus.items()} == {
        "body": {"dash", "rear"},
        "engine": {"ecu", "cooler"},
    }
    for bus, nodes in (("body", {"dash", "rear"}), ("engine", {"ecu", "cooler"})):
        mine = frames_of(recording, bus)
        assert len(mine) > 50
        assert all({record.sender, *record.receivers} == nodes for record in mine)
    spans = {
        bus: [r.end_ns - r.start_ns for r in frames_of(recording, bus) if len(r.frame.data) == 1]
        for bus in ("body", "engine")
    }
    assert min(spans["body"]) > 3 * max(spans["engine"])


@pytest.mark.parametrize("fault", [SHORT, FLOOD, NOISE, OPEN])
def test_what_happens_on_one_bus_leaves_the_frames_and_loads_of_the_other(story, fault):
    asked = ("2 s", 'set = { lights = "on", thermostat = "on" }\n')
    calm = run(story(asked)).recording
    result = run(story(asked, ("1 s", f'{fault}until = "2500 ms"\n')))
    assert frames_of(result.recording, "engine") == frames_of(calm, "engine")
    assert result.recording.outputs["fan"] == calm.outputs["fan"]
    assert frames_of(result.recording, "body") != frames_of(calm, "body")
    assert result.recording.struck == [["body"]]
    assert broken(result) == set()


def test_a_fault_on_one_bus_excuses_no_node_of_the_other(two_buses, story):
    """The cooler's controller stays bus-off. As long as there is a fault somewhere on its own bus
    that may be the reason; a short on the other bus is none.
    """
    steps = ("1 s", f'{SHORT}until = "2900 ms"\n'), ("500 ms", BUS_OFF)
    assert broken(run(story(*steps))) == set()
    two_buses.give("cooler", "Gone")
    assert ("cooler", "rejoin") in broken(run(story(*steps)))


def test_a_load_that_keeps_a_lost_request_is_broken_on_its_own_bus_alone(two_buses, story):
    two_buses.give("cooler", "Sticky")
    on_body = run(story(("1 s", f'{SHORT}until = "2 s"\n')))
    assert broken(on_body) == set()
    assert ("lamp", "stale") in kept(on_body)
    on_engine = run(story(("1 s", f'{SHORT.replace("rear", "cooler")}until = "2 s"\n')))
    assert ("fan", "stale") in broken(on_engine)
    assert {subject for subject, _ in broken(on_engine)} == {"fan"}


def test_a_check_tries_a_fault_of_a_whole_cable_on_each_bus_by_itself(two_buses):
    vehicle = two_buses.load()
    for kind in ("short", "unterminated", "noise", "stuck_dominant", "flood"):
        struck = {fault.strikes(vehicle) for fault in catalogue()[kind].every(vehicle)}
        assert struck == {("body",), ("engine",)}, kind


def test_a_fault_names_a_bus_that_there_is(story):
    with pytest.raises(BadInput, match="unknown bus 'bodi'; expected one of: body, engine"):
        story(("1 s", f'{NOISE.replace("body", "bodi")}until = "2 s"\n'))
    with pytest.raises(BadInput, match="node 'ecu' is on bus 'engine'"):
        story(("1 s", f'{NOISE}node = "ecu"\nuntil = "2 s"\n'))
    with pytest.raises(BadInput, match="'dash' and 'ecu' are not neighbours"):
        story(("1 s", 'fault = "cut"\nbetween = ["dash", "ecu"]\nuntil = "2 s"\n'))


def test_a_recording_says_on_which_bus_a_frame_was_and_is_read_back(story, tmp_path):
    result = run(story(("1 s", f'{SHORT}until = "2 s"\n')))
    path = tmp_path / "run.json"
    parts = (part if isinstance(part, bytes) else part.encode() for part in run_json(result))
    path.write_bytes(b"".join(parts))
    document = json.loads(path.read_text())
    assert {bus: set(names) for bus, names in document["on_bus"].items()} == {
        "body": {"dash", "rear"},
        "engine": {"ecu", "cooler"},
    }
    back, _ = read_recording(path)
    assert back.on_bus == result.recording.on_bus
    assert back.struck == [["body"]]


def test_a_log_names_the_channel_of_each_frame(story, tmp_path):
    recording = run(story()).recording
    write_log(recording, "car", tmp_path / "a.log", {"body": "can0", "engine": "can1"})
    with can.LogReader(tmp_path / "a.log") as reader:
        found = {(message.channel, message.arbitration_id) for message in reader}
    assert found == {("can0", 160), ("can0", 514), ("can1", 176), ("can1", 530)}


def test_a_page_shows_the_share_of_each_bus(story, tmp_path):
    write_run_page(run(story()), tmp_path / "run.html", command="")
    text = (tmp_path / "run.html").read_text()
    assert "LampRequest" in text
    assert "FanRequest" in text


def test_a_plain_program_reaches_each_bus_by_its_channel(story):
    session = Session(story())
    session.begin()
    session.run_to(500 * MS)
    heard = {}
    for channel in ("body", "engine"):
        with can.Bus(interface="virtual", channel=channel) as guest:
            session.run_to(session.queue.now_ns + 200 * MS)
            heard[channel] = set()
            while (message := guest.recv(0)) is not None:
                heard[channel].add(message.arbitration_id)
    session.finish(session.queue.now_ns)
    assert heard == {"body": {160, 514}, "engine": {176, 530}}


def test_a_waveform_of_two_buses_is_refused(story):
    with pytest.raises(BadInput, match="a waveform takes a car with one bus so far"):
        Session(story(), bits=True)


def test_one_identifier_on_two_buses_is_two_messages(two_buses, story):
    """Both requests and both reports share their identifiers. Each load follows its own request, a
    fault of one message leaves the other, and who keeps a lost one is still caught.
    """
    path = two_buses.path.with_name("engine.dbc")
    path.write_text(path.read_text().replace("176", "160").replace("530", "514"))
    asked = ("2 s", 'set = { lights = "on" }\n')
    calm = run(story(asked))
    assert broken(calm) == set()
    assert calm.recording.foreign == []
    assert calm.recording.outputs["lamp"].values[-1] == 1.0
    assert calm.recording.outputs["fan"].values[-1] == 0.0
    both = ("2 s", 'set = { lights = "on", thermostat = "on" }\n')
    lost = (
        "1 s",
        'fault = "drop"\nmessage = "LampRequest"\nreceiver = "rear"\nuntil = "2900 ms"\n',
    )
    result = run(story(both, lost))
    assert broken(result) == set()
    assert frames_of(result.recording, "engine") == frames_of(run(story(both)).recording, "engine")
    two_buses.give("cooler", "Sticky")
    unheard = (
        "1 s",
        'fault = "drop"\nmessage = "FanRequest"\nreceiver = "cooler"\nuntil = "2 s"\n',
    )
    assert {load for load, _ in broken(run(story(unheard)))} == {"fan"}
