"""What a power node makes of the currents into its outputs, and how a dash passes it on."""

from __future__ import annotations

import pytest
from fake_board import FakeBoard, Speaker

from linkloss_nodes import SettingsError
from linkloss_nodes.power import PowerNode

FED = {"request": "LampRequest.Position", "stale_after_ms": 250, "least_a": 2.0}


class Watched:
    """A power node with one lamp, asked for every 50 ms, whose status is decoded."""

    def __init__(self, messages):
        settings = {
            "status": {"message": "FrontStatus", "load_failed": "LoadFailed"},
            "outputs": {"lamp": FED},
        }
        self.board = FakeBoard("front", settings, messages)
        self.dash = Speaker(self.board, "LampRequest")
        self.definition = messages.get_message_by_name("FrontStatus")
        self.told = []
        self.board.bus.to.append(self.note)
        self.board.amps["lamp"] = 0.0
        self.board.boot(PowerNode)

    def note(self, message):
        values = self.definition.decode(message.data, decode_choices=False)
        self.told.append(values["LoadFailed"])

    def lit(self, ms, amps):
        """Asked for, with so much current."""
        self.board.amps["lamp"] = amps
        self.dash.talk(ms, Position=1)

    def dark(self, ms, amps):
        """Not asked for, with so much current."""
        self.board.amps["lamp"] = amps
        self.dash.talk(ms, Position=0)


@pytest.fixture
def watched(messages):
    return Watched(messages)


def test_a_load_that_draws_its_current_is_well(watched):
    watched.lit(1000, 4.5)
    watched.dark(1000, 0.0)
    assert set(watched.told) == {0}


def test_a_load_without_current_is_told_after_two_looks(watched):
    watched.lit(1000, 4.5)
    watched.told.clear()
    watched.lit(400, 0.0)
    assert watched.told[:3] == [0, 1, 1]


def test_one_look_that_finds_no_current_is_not_enough(watched):
    watched.lit(1000, 4.5)
    for _ in range(5):
        watched.lit(100, 0.0)
        watched.lit(100, 4.5)
    assert set(watched.told) == {0}


def test_looks_in_quick_succession_are_one(watched):
    """A status that is refused is built anew every few ms, and no relay moves in that time."""
    watched.lit(1000, 4.5)
    for _ in range(5):
        watched.lit(70, 4.5)
        watched.board.bus.full = True
        watched.lit(30, 0.0)
        watched.board.bus.full = False
        watched.lit(100, 4.5)
    assert set(watched.told) == {0}


def test_a_load_that_flashes_faster_than_it_is_looked_at_is_not_told(watched):
    """Between two looks the pin has changed: the current may belong to the other level."""
    for _ in range(10):
        watched.lit(50, 0.0)
        watched.dark(50, 0.0)
    assert set(watched.told) == {0}


def test_current_into_a_load_that_is_off_is_told(watched):
    watched.dark(400, 4.5)
    assert watched.told[-1] == 1


def test_a_failure_is_forgotten_only_where_it_showed(watched):
    """Without current while on: being rightly without current while off proves nothing."""
    watched.lit(400, 0.0)
    watched.dark(400, 0.0)
    assert watched.told[-1] == 1
    watched.lit(200, 4.5)
    assert watched.told[-1] == 0


def test_one_look_that_finds_current_does_not_end_a_failure(watched):
    """A switch that tries again drives its short for a moment."""
    watched.lit(400, 0.0)
    watched.told.clear()
    for _ in range(5):
        watched.lit(100, 4.5)
        watched.lit(100, 0.0)
    assert set(watched.told) == {1}
    watched.lit(300, 4.5)
    assert watched.told[-1] == 0


def test_currents_at_a_low_supply_prove_nothing(watched):
    watched.board.volts = 8.9
    watched.lit(1000, 0.0)
    assert set(watched.told) == {0}
    watched.board.volts = 9.0
    watched.lit(400, 0.0)
    assert watched.told[-1] == 1


def test_where_nothing_senses_a_current_nothing_is_told(watched):
    watched.lit(1000, float("nan"))
    watched.dark(1000, float("nan"))
    assert set(watched.told) == {0}


@pytest.mark.parametrize("least_a", [0, -1])
def test_a_least_current_lies_above_zero(messages, least_a):
    settings = {"status": "FrontStatus", "outputs": {"lamp": {**FED, "least_a": least_a}}}
    with pytest.raises(SettingsError, match="expected amperes above 0") as caught:
        PowerNode.check_settings(settings)
    assert caught.value.key == "outputs.lamp.least_a"
