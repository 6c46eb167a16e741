"""Mistakes in a node's settings are told with their place, before anything runs."""

from __future__ import annotations

import pytest
from fake_board import FakeBoard

from linkloss_nodes import SettingsError
from linkloss_nodes.control import ControlNode
from linkloss_nodes.engine import EngineNode
from linkloss_nodes.gauge import GaugeNode
from linkloss_nodes.power import PowerNode

LAMP = {"request": "LampRequest.Position", "stale_after_ms": 250}


@pytest.mark.parametrize(
    "change, key, text",
    [
        ({"on_stal": "off"}, "outputs.lamp.on_stal", "did you mean 'on_stale'"),
        ({"on_stale": "blink"}, "outputs.lamp.on_stale", "got 'blink'; expected one of: hold, off"),
        ({"stale_after_ms": 0}, "outputs.lamp.stale_after_ms", "needs a 'stale_after_ms' above 0"),
        ({"hold_for_ms": 100}, "outputs.lamp.then", "go together"),
        ({"local": "pedal"}, "outputs.lamp.local", "cannot read 'pedal'"),
        ({"request": "Position"}, "outputs.lamp", "expected 'Message.Signal'"),
    ],
)
def test_a_mistake_in_an_output(change, key, text):
    with pytest.raises(SettingsError, match=text) as found:
        PowerNode.check_settings({"status": "FrontStatus", "outputs": {"lamp": LAMP | change}})
    assert found.value.key.rstrip(".") == key


def test_a_lamp_is_either_a_tell_tale_or_a_warning():
    settings = {"status": "GaugeStatus", "tell_tales": {"lamp": LAMP}, "warnings": {"lamp": LAMP}}
    with pytest.raises(SettingsError, match="'lamp' is a tell-tale already"):
        GaugeNode.check_settings(settings)


def test_an_output_for_which_nobody_asks():
    with pytest.raises(SettingsError, match="nothing asks for it"):
        PowerNode.check_settings({"status": "FrontStatus", "outputs": {"lamp": {}}})


def test_a_missing_status():
    with pytest.raises(SettingsError, match="'status' is missing"):
        PowerNode.check_settings({"outputs": {}})


@pytest.mark.parametrize(
    "change, text",
    [
        ({"watchdog_ms": 0}, "expected a number of at least 1"),
        ({"debounce_ms": "20 ms"}, "got '20 ms'; expected a number"),
        ({"stuck": {"horn": {"position": "on"}}}, "'longest_ms' is missing"),
        ({"status": 7}, "expected a message's name or a table"),
        ({"requests": {"Lamp": {"when": "a == b"}}}, "expected 'Message.Signal'"),
    ],
)
def test_a_mistake_in_a_control_node(change, text):
    good = {"status": "DashNotices", "requests": {}}
    ControlNode.check_settings(good)
    with pytest.raises(SettingsError, match=text):
        ControlNode.check_settings(good | change)


@pytest.mark.parametrize(
    "request_name, text",
    [
        ("LampReqest.Position", "did you mean 'LampRequest'"),
        ("LampRequest.Positon", "did you mean 'Position'"),
    ],
)
def test_a_message_or_signal_that_does_not_exist(messages, request_name, text):
    settings = {"status": "FrontStatus", "outputs": {"lamp": LAMP | {"request": request_name}}}
    with pytest.raises(SettingsError, match=text):
        PowerNode(FakeBoard("front", settings, messages))


@pytest.mark.parametrize(
    "node, program",
    [
        ("dash", ControlNode),
        ("front", PowerNode),
        ("rear", PowerNode),
        ("engine", EngineNode),
        ("gauge", GaugeNode),
    ],
)
def test_the_settings_of_the_demo_car_are_good(wren, node, program):
    assert program.check_settings(wren["nodes"][node]["settings"])
