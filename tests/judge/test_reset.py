"""*reset* and *dark*: what a load may do while its node starts anew, and until it is asked again.

The rear node resets at 1000 ms. Its program runs at 1050 ms, its declared boot ends at 1100 ms.
"""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, kept, untested


def restarted(load, *levels, on=True, back_ms=3000, end_ms=3000, cut_ms=None):
    """Asked up to 960 ms; after the reset the first good request comes at ``back_ms``."""
    tape = Tape(car(lamp=load), end_ms).requests(60, 1000, on=on)
    tape.requests(back_ms, end_ms, on=on).fault("reset", 1000, 1000, "node").reset("rear", 1000)
    tape.fault("cut", 1000, cut_ms)
    return tape.output("lamp", *([(70, 1)] if on else []), *levels)


LIT = {"on_reset": "on", "on_stale": "on"}


def test_the_state_after_a_reset_is_due_when_the_boot_is_over():
    edge(lambda late: restarted(LIT, (1000, 0), (1100 + late, 1)), "reset", deadline_ms=1100)


def test_off_on_reset_is_due_when_the_boot_is_over():
    """Hardware that is on while no program runs; asked off before, off on reset."""
    load = {"hardware_default": "on"}
    edge(
        lambda late: restarted(load, (1000, 1), (1100 + late, 0), on=False),
        "reset",
        deadline_ms=1100,
    )


@pytest.mark.parametrize("level_ms", [1000, 1050, 1099])
def test_before_hardware_default_and_on_reset_are_allowed_while_booting(level_ms):
    """On before, off by hardware, on again at any instant of the boot."""
    assert restarted(LIT, (1000, 0), (level_ms, 1)).broken() == []


def test_no_other_state_is_allowed_while_booting():
    """A starter that was off, is off by hardware and off on reset: no pulse, be it of 1 ns."""
    tape = restarted({}, (1040, 1), (1040 + NS, 0), on=False)
    broken(tape.verdict("reset"), NS, 1040)


def test_a_pulse_at_power_up_is_broken_too():
    tape = Tape(car(), 1500).requests(60, 1500, on=False).output("lamp", (40, 1), (41, 0))
    broken(tape.verdict("reset"), 1, 40)


def test_the_state_before_the_reset_ends_with_the_boot():
    """Lit before, off on reset: lit up to 1100 ms is allowed, longer is not."""
    kept(restarted({}, (1100, 0)).verdict("reset"), 0)
    broken(restarted({}, (1100 + NS, 0)).verdict("reset"), NS, 1100)


def test_a_request_that_comes_before_the_boot_is_over_leaves_the_state_after_it_untested():
    untested(restarted(LIT, (1000, 0), (1060, 1), back_ms=1070).verdict("reset"))


def test_a_reset_in_which_nothing_had_to_change_tests_nothing():
    untested(restarted({}, on=False).verdict("reset"))


def test_a_boot_that_ends_with_the_recording_tests_nothing():
    untested(restarted(LIT, (1000, 0), (1050, 1), end_ms=1100).verdict("reset"))


def test_without_a_request_the_failsafe_state_is_allowed_too():
    """The program runs at 1050 ms: from 1050 + 245 = 1295 ms on its link may be lost. Before
    that only ``on_reset`` is allowed.
    """
    load = {"on_reset": "on", "on_stale": "off"}
    assert restarted(load, (1000, 0), (1100, 1), (1295, 0)).broken() == []
    broken(restarted(load, (1000, 0), (1100, 1), (1295 - NS, 0)).verdict("reset"), NS, 1295 - NS)


def test_a_reset_forgets_what_was_held():
    """``hold`` after a reset means ``on_reset``: off, though the lamp was asked on before."""
    load = {"on_stale": "hold"}
    assert restarted(load, (1000, 0)).broken() == []
    broken(restarted(load, (1000, 0), (2000, 1)).verdict("reset"), 1000, 2000)


def test_a_load_that_survives_resets_holds_on():
    load = {"on_stale": "hold", "survives_reset": True}
    kept(restarted(load, (1000, 0), (1080, 1)).verdict("reset"), 20)
    broken(restarted(load, (1000, 0)).verdict("reset"), 1900, 1100)


def test_a_load_that_survives_resets_may_know_that_its_link_was_lost_long_before():
    """Last good at 460 ms; off when stale; the reset at 1000 ms does not bring it back on."""
    load = {"survives_reset": True}
    tape = Tape(car(lamp=load), 3000).requests(60, 461, on=True).fault("cut", 465, None)
    tape.reset("rear", 1000).output("lamp", (70, 1), (720, 0))
    assert tape.broken() == []


def follows(on_at, back_ms=1060):
    """Off on reset; asked on from 1060 ms on: due 300 ms later, at 1360 ms, though the last fault
    has been gone only since the end of the boot at 1100 ms, which would give up to 1400 ms.
    """
    tape = restarted({}, (1000, 0), (on_at, 1), back_ms=back_ms, cut_ms=1000)
    return tape


def test_after_a_reset_a_load_follows_within_rejoin_of_its_first_message():
    edge(lambda late: follows(1360 + late), "rejoin", deadline_ms=1360)


def test_after_a_reset_a_late_message_gives_no_more_than_rejoin_after_the_fault():
    """First message at 1360 ms; the faults were gone at 1100 ms: due at 1400 ms all the same."""
    edge(lambda late: follows(1400 + late, back_ms=1360), "rejoin", deadline_ms=1400)


DARK = LIT | {"dark_limit": "80 ms"}


def test_darkness_is_limited():
    """Dark from 1000 ms on for at most 80 ms."""
    edge(lambda late: restarted(DARK, (1000, 0), (1080 + late, 1)), "dark", deadline_ms=1080)


def test_a_lamp_that_was_dark_before_tests_no_darkness():
    untested(restarted(DARK, on=False).verdict("dark"))


def test_darkness_that_was_asked_for_is_none():
    """Asked off at 1060 ms."""
    tape = restarted(DARK, (1000, 0), back_ms=3000).request(1060, on=False)
    assert tape.verdict("dark").broken is False


def test_darkness_that_the_recording_cuts_off_tests_nothing():
    """Dark from 1090 ms to the end at 1150 ms: 60 of 80 ms."""
    untested(restarted(DARK, (1090, 0), end_ms=1150).verdict("dark"))


LATCH = {"latch": True}


def latched(*levels):
    """Lost after 460 ms, back at 1010 ms asking on; asked off at 1510 and on again at 1610 ms."""
    tape = Tape(car(lamp=LATCH), 3000).requests(60, 110, on=False).requests(110, 461, on=True)
    tape.fault("cut", 465, None).requests(1010, 1510, on=True)
    tape.requests(1510, 1610, on=False).requests(1610, 3000, on=True)
    return tape.output("lamp", (120, 1), (720, 0), *levels)


def test_a_latched_load_waits_until_it_was_asked_to_be_off():
    """The time to rejoin is over at 1010 + 300 = 1310 ms: on is due at 1610 + 20 = 1630 ms."""
    edge(lambda late: latched((1630 + late, 1)), "fresh", deadline_ms=1630)


def test_a_latched_load_that_comes_back_unasked_is_broken():
    """Lit from 1310 to 1515 ms without having been asked to be off."""
    assert latched((1310, 1), (1515, 0), (1615, 1)).broken() == [("lamp", "rejoin")]
    assert latched((1010, 1), (1015, 0), (1615, 1)).broken() != []


def test_a_latched_load_waits_after_its_power_up_too():
    """The first message of all asks on: nothing until it asked off."""
    tape = Tape(car(lamp=LATCH), 1500).requests(60, 1500, on=True).output("lamp", (700, 1))
    assert tape.broken() != []
    tape = Tape(car(lamp=LATCH), 1500).requests(60, 1500, on=True)
    assert tape.verdict("fresh").broken is False


def test_darkness_whose_limit_is_the_end_of_the_recording_tests_nothing():
    """Dark at 1000 ms, 80 ms allowed, recorded to 1080 ms."""
    untested(restarted(DARK, (1000, 0), (1050, 1), end_ms=1080).verdict("dark"))
    kept(restarted(DARK, (1000, 0), (1050, 1), end_ms=1080 + NS).verdict("dark"), 30)


def test_a_load_that_goes_to_on_after_its_hardware_let_it_down_tests_the_reset():
    """Lit before and after; hardware off: staying dark would have been wrong."""
    kept(restarted(LIT, (1000, 0), (1090, 1)).verdict("reset"), 10)
