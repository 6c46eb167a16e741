"""What the driver did, read off messages: positions, sensors, damage, gaps."""

from __future__ import annotations

from functools import reduce

import pytest
from replay_lab import wren

from linkloss.logs.drive import InputReader, not_logged, references
from linkloss.problem import BadInput
from linkloss.vehicle.loading import load_vehicle
from linkloss.vehicle.messages import crc8


class Speaker:
    """Feeds a reader with good messages of Wren, signal by signal."""

    def __init__(self):
        self.reader = InputReader(wren())
        self.now_ns = 0

    def say(self, name, damage=False, **signals):
        message = wren().database.get_message_by_name(name)
        values = {signal.name: 0 for signal in message.signals}
        values.update({s.name: 13.5 for s in message.signals if s.name == "SupplyVoltage"})
        values.update(signals)
        data = bytearray(message.encode(values, strict=False))
        data[0] = crc8(message.frame_id.to_bytes(2, "big") + bytes(data[1:])) ^ damage
        self.now_ns += 50_000_000
        return self.reader.feed(self.now_ns, (message.frame_id, False), bytes(data))


def test_a_switch_is_at_the_first_position_whose_condition_holds():
    speaker = Speaker()
    assert speaker.say("LampRequest").values["lights"] == "off"
    assert speaker.say("LampRequest", Position=1).values == {"lights": "position"}
    assert speaker.say("LampRequest", Position=1, DippedBeam=1).values == {"lights": "dipped"}
    assert speaker.say("LampRequest", Position=1, DippedBeam=1) is None


def test_an_input_that_needs_two_messages_waits_for_both():
    speaker = Speaker()
    first = speaker.say("EngineRequest", FuelPump=1)
    assert first is None or "ignition" not in first.values
    speaker.say("BodyRequest", Accessory=1)
    assert speaker.say("EngineData", Running=0).values["ignition"] == "on"


def test_a_sensor_is_taken_over_when_it_moved_by_a_hundredth_of_its_range():
    speaker = Speaker()
    speaker.say("EngineData", Speed=2000)
    assert speaker.say("EngineData", Speed=2079) is None
    change = speaker.say("EngineData", Speed=2080)
    assert (change.values, change.event) == ({"engine_speed": 2080.0}, False)


def test_a_sensor_that_passes_a_number_of_a_condition_is_an_event_however_little_it_moved():
    speaker = Speaker()
    speaker.say("EngineData", Speed=499, CoolantTemperature=20)
    change = speaker.say("EngineData", Speed=500.25, CoolantTemperature=20)
    assert (change.values, change.event) == ({"engine_speed": 500.25}, True)


def test_a_damaged_message_shows_nothing():
    speaker = Speaker()
    speaker.say("LampRequest")
    assert speaker.say("LampRequest", damage=True, Position=1) is None
    assert speaker.reader.feed(0, (0x0A0, False), b"\0") is None


def test_what_was_not_shown_yet_is_named():
    speaker = Speaker()
    assert "lights" in speaker.reader.unseen()
    speaker.say("LampRequest")
    assert "lights" not in speaker.reader.unseen()
    assert not_logged(wren()) == ["brake_pedal", "reverse_gear", "crash"]


def test_every_signal_that_shows_an_input_exists():
    names = reduce(lambda found, table: [*found, *references(table)], wren().inputs.values(), [])
    assert "LampRequest.Position" in names
    for name in names:
        wren().signal(name)


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ('"EngineData.Speed"', '"EngineData.Sped"', "unknown signal of message 'EngineData'"),
        ("{ dipped = ", "{ dippd = ", "'lights' has no position 'dippd'"),
        ('"LampRequest.Hazard == 1" }', '"LampRequst.Hazard == 1" }', "'LampRequst'"),
        ('logged = "EngineData.Speed"', "logged = { on = 'EngineData.Speed > 1' }",
         "'logged' is one 'Message.Signal' for a sensor"),
    ],
)  # fmt: skip
def test_a_mistake_in_what_shows_an_input_is_told(tmp_path, old, new, text):
    source = wren().path.read_text()
    assert source.count(old) >= 1
    dbc = wren().path.parent / wren().file.dbc
    (tmp_path / "wren.dbc").write_text(dbc.read_text())
    path = tmp_path / "vehicle.toml"
    path.write_text(source.replace(old, new, 1).replace("../../dbc/wren.dbc", "wren.dbc"))
    with pytest.raises(BadInput) as caught:
        load_vehicle(path)
    assert text in str(caught.value)
    assert "logged" in str(caught.value)
