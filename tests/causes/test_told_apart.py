"""Mistakes that look alike on the bus are told apart: each is named by its mechanism and node."""

from __future__ import annotations

import pytest
from caught import by_name
from further_list import every as every_further
from measure import first_entry
from unseen_list import every as every_unseen
from wrong_list import every

NAMED = {
    # a wrong request: the program knew its inputs, read them late, or never read them anew
    "python/ClutchForgotten": ("sent wrong", "dash"),
    "python/TouchFromRelease": ("sent wrong", "dash"),
    "python/RoundsForDebouncing": ("input", "dash"),
    "python/FillsOnce": ("input", "dash"),
    # it reads its input and concludes the wrong thing; it oversteps a limit, and does as it is told
    "python/AccessoryWithTheKeyOn": ("sent wrong", "dash"),
    "python/NoRestForTheStarter": ("limit", "engine"),
    # a message that has to be refused is not acted on, and puts the program off the good ones
    "python/DistrustsForEver": ("ignored", "rear"),
    # never lit though asked to flash; nothing is read behind a frame that has to be refused
    "python/CopiedIndicator": ("ignored", "front"),
    "python/NeverReleases": ("not read", "rear"),
    # an output that follows an input of its own: it goes by itself, or follows too late
    "python/DropsIgnitionWhileCranking": ("untold", "engine"),
    "python/SlowLever": ("input", "rear"),
    # a failed load that the driver does not hear of: nobody passes it on, or nobody found it
    "python/PassesOnOneEnd": ("not told", "dash"),
    "python/WatchesOneFeed": ("not told", "front"),
    # a wrong value: it stands still, or is worked out wrongly
    "c/volts_of_the_start": ("sent old", "rear"),
    "python/Fahrenheit": ("sent wrong", "engine"),
    # a message that does not come: it has another identifier, or nobody sends it
    "c/decimal_identifier": ("sent wrong", "rear"),
    "python/SilentWithoutKey": ("not sent", "engine"),
    # wrong from soon after a start on: for as long as it cannot know better, or on and on
    "python/PulseAtBoot": ("start", "rear"),
    "sketch/socket_from_the_counter": ("untold", "rear"),
}
CARS = by_name([*every(), *every_further(), *every_unseen()])


@pytest.mark.parametrize("name", NAMED)
def test_the_first_cause_is_named(tmp_path, name):
    assert first_entry(CARS[name].check(tmp_path)) == NAMED[name]
