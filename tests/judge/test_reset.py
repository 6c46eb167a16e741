"""*reset* and *dark*: what a load may do while its node starts anew, and until it is asked again.

The rear node resets at 1000 ms. Its program runs at 1050 ms; until then the hardware decides. Its
declared boot ends at 1100 ms, and the state after a reset is due 20 ms later.
"""

from __future__ import annotations

import pytest
from judge_lab import MS, NS, Tape, broken, car, edge, kept, stretches, untested


def restarted(load, *levels, on=True, back_ms=3000, end_ms=3000, cut_ms=None):
    """Asked up to 960 ms; after the reset the first good request comes at ``back_ms``."""
    tape = Tape(car(lamp=load), end_ms).requests(60, 1000, on=on)
    tape.requests(back_ms, end_ms, on=on).fault("reset", 1000, 1000, "node").reset("rear", 1000)
    tape.fault("cut", 1000, cut_ms)
    return tape.output("lamp", *([(70, 1)] if on else []), *levels)


LIT = {"on_reset": "on", "on_stale": "on"}


def test_the_state_after_a_reset_is_due_a_latency_behind_the_boot():
    edge(lambda late: restarted(LIT, (1000, 0), (1120 + late, 1)), "reset", deadline_ms=1120)


def test_off_on_reset_is_due_a_latency_behind_the_boot():
    """Hardware that is on while no program runs; asked off before, off on reset."""
    load = {"hardware_default": "on"}
    edge(
        lambda late: restarted(load, (1000, 1), (1120 + late, 0), on=False),
        "reset",
        deadline_ms=1120,
    )


@pytest.mark.parametrize("level_ms", [1050, 1051, 1100])
def test_the_state_after_a_reset_may_be_there_with_the_program(level_ms):
    assert restarted(LIT, (1000, 0), (level_ms, 1)).broken() == []


@pytest.mark.parametrize("at_ms", [1050, 1060, 1119, 1121])
def test_no_other_state_is_allowed_while_booting(at_ms):
    """A starter that was off, is off by hardware and off on reset: no pulse, be it of 1 ns."""
    tape = restarted({}, (at_ms, 1), (at_ms + NS, 0), on=False)
    broken(tape.verdict("reset"), NS, at_ms)
    assert tape.broken() == [("lamp", "reset")]


def test_a_pulse_at_power_up_is_broken_too():
    tape = Tape(car(), 1500).requests(110, 1500, on=False).output("lamp", (55, 1), (56, 0))
    broken(tape.verdict("reset"), 1, 55)


def test_a_load_goes_to_its_state_after_a_reset_once():
    """On, off and on again while it may go on: the way back to off has no cause."""
    tape = restarted(LIT, (1000, 0), (1060, 1), (1070, 0), (1072, 1))
    broken(tape.verdict("reset"), 2, 1070)
    assert tape.broken() == [("lamp", "reset")]


def test_what_was_asked_before_the_reset_is_forgotten():
    """Lit before, off by hardware, off on reset: lit when the program begins is broken."""
    tape = restarted({}, (1100, 0))
    broken(tape.verdict("reset"), 50, 1050)


def test_what_the_hardware_does_is_not_the_programs_fault():
    """Dark or lit, nobody drives the output between 1000 and 1050 ms."""
    assert restarted({}, (1000, 0), (1020, 1), (1030, 0)).broken() == []


def test_a_load_is_judged_by_what_its_node_drives():
    """Driven from 70 ms on, and from 1119 ms on behind a reset; the load itself comes later."""
    driven = ((0, None), (50, 0.0), (70, 1.0), (1000, None), (1050, 0.0))
    tape = restarted(LIT, (1009, 0), (1140, 1)).command("lamp", *driven, (1119, 1.0))
    kept(tape.verdict("reset"), 1)
    tape = restarted(LIT, (1009, 0), (1110, 1)).command("lamp", *driven, (1120 + NS, 1.0))
    broken(tape.verdict("reset"), NS, 1120)


def test_an_output_that_nobody_drives_is_what_its_hardware_makes_of_it():
    """Not driven at all behind the reset: as its state on reset is what the hardware does, the
    load is right; where the state on reset is the other one, it is not.
    """
    driven = ((0, None), (65, 0.0), (1000, None))
    for on_reset, wrong in (("on", []), ("off", [("lamp", "reset")])):
        load = {"hardware_default": "on", "on_reset": on_reset, "on_stale": "on"}
        tape = restarted(load, on=False).command("lamp", *driven)
        assert tape.broken() == wrong


def test_a_request_within_the_boot_leaves_both_states_right():
    """On on reset, asked off at 1070 ms: on and off again are due by the latter's second message
    behind the boot, 1170 ms, and its latency; but on is not put to the test.
    """
    for levels in ([], [(1060, 1), (1190, 0)], [(1080, 1), (1090, 0)]):
        tape = restarted(LIT, *levels, on=False, back_ms=1070)
        assert tape.broken() == [], levels
    assert stretches(restarted(LIT, (1060, 1), (1190 + NS, 0), on=False, back_ms=1070)) == [
        (1190 * MS, 1190 * MS + 1)
    ]


def test_a_reset_in_which_nothing_had_to_change_tests_nothing():
    untested(restarted({}, on=False).verdict("reset"))


def test_a_deadline_at_the_end_tests_nothing():
    """The power-up was tested, with 50 ms left; the reset is only where 1120 ms is recorded."""
    kept(restarted(LIT, (1000, 0), (1110, 1), end_ms=1120).verdict("reset"), 50)
    kept(restarted(LIT, (1000, 0), (1110, 1), end_ms=1120 + NS).verdict("reset"), 10)


NEVER_ASKED = {"on_reset": "on", "on_stale": "off"}


def test_without_a_request_the_failsafe_state_is_allowed_too():
    """The program runs at 1050 ms: from 1050 + 245 = 1295 ms on its link may be lost. Before
    that only ``on_reset`` is allowed, and later it still is.
    """
    assert restarted(NEVER_ASKED, (1000, 0), (1100, 1)).broken() == []
    for off_ms in (1295, 1315 + NS, 2900):
        assert restarted(NEVER_ASKED, (1000, 0), (1100, 1), (off_ms, 0)).broken() == []
    early = restarted(NEVER_ASKED, (1000, 0), (1100, 1), (1295 - NS, 0))
    broken(early.verdict("stale"), NS, 1295 - NS)


def test_a_load_that_has_gone_to_its_failsafe_state_does_not_go_back():
    tape = restarted(NEVER_ASKED, (1000, 0), (1100, 1), (1300, 0), (2000, 1))
    broken(tape.verdict("stale"), 1000, 2000)


def test_a_reset_forgets_what_was_held():
    """``hold`` after a reset means ``on_reset``: off, though the lamp was asked on before."""
    load = {"on_stale": "hold"}
    assert restarted(load, (1000, 0)).broken() == []
    broken(restarted(load, (1000, 0), (1060, 1), (1290, 0)).verdict("reset"), 230, 1060)
    assert restarted(load, (1000, 0), (2000, 1)).broken() == [("lamp", "stale")]


def test_then_follows_a_reset_too_where_no_request_comes():
    """Stale from 1295 ms on, ``then`` 800 - 16 ms later, at 2079 ms; on reset stays right."""
    load = {"on_stale": "hold", "hold_for": "800 ms", "then": "on"}
    assert restarted(load, (1000, 0), (2079, 1)).broken() == []
    assert restarted(load, (1000, 0)).broken() == []
    broken(restarted(load, (1000, 0), (2079 - NS, 1)).verdict("then"), NS, 2079 - NS)


def test_a_load_that_survives_resets_holds_on():
    load = {"on_stale": "hold", "survives_reset": True}
    kept(restarted(load, (1000, 0), (1080, 1)).verdict("reset"), 40)
    broken(restarted(load, (1000, 0)).verdict("reset"), 1880, 1120)


def test_a_load_that_survives_resets_may_know_that_its_link_was_lost_long_before():
    """Last good at 460 ms; off when stale; the reset at 1000 ms does not bring it back on."""
    load = {"survives_reset": True}
    tape = Tape(car(lamp=load), 3000).requests(60, 461, on=True).fault("cut", 465, None)
    tape.reset("rear", 1000).output("lamp", (70, 1), (720, 0))
    assert tape.broken() == []


def test_a_load_that_survives_resets_has_forgotten_what_it_had_not_done_by_then():
    """Stale from 705 ms on, off by 730 ms. A reset at 710 ms stops the clock that would have told;
    at 740 ms it was off already, and that is what survives.
    """

    def reset(at_ms, *levels):
        tape = Tape(car(lamp={"survives_reset": True}), 3000).requests(60, 461, on=True)
        return tape.fault("cut", 465, None).reset("rear", at_ms).output("lamp", (70, 1), *levels)

    assert reset(710, (710, 0), (780, 1)).broken() == []
    assert reset(710, (710, 0)).broken() == []
    assert reset(740, (725, 0)).broken() == []
    assert reset(740, (725, 0), (790, 1)).broken("lamp") != []


def follows(on_at, back_ms=1060):
    """Off on reset; asked on from 1060 ms on. The boot is over at 1100 ms: the second message
    behind it comes at 1160 ms, and on is due at 1180 ms.
    """
    return restarted({}, (1000, 0), (on_at, 1), back_ms=back_ms, cut_ms=1000)


@pytest.mark.parametrize(("back_ms", "due_ms"), [(1060, 1180), (1110, 1180), (1360, 1430)])
def test_after_a_reset_a_load_follows_by_the_second_message_behind_the_boot(back_ms, due_ms):
    """Rejoin, 300 ms behind the fault or the first message, gives no more."""
    assert stretches(follows(back_ms, back_ms)) == []
    assert stretches(follows(due_ms, back_ms)) == []
    assert stretches(follows(due_ms + NS, back_ms)) == [(due_ms * MS, due_ms * MS + 1)]
    assert stretches(follows(back_ms - NS, back_ms)) == [(back_ms * MS - 1, back_ms * MS)]


def test_the_first_request_after_a_reset_is_a_fresh_one():
    edge(lambda late: follows(1180 + late), "fresh", deadline_ms=1180)


def forgotten(*levels):
    """Asked on at 985 ms, due at 1005 ms: the reset at 1000 ms makes that void."""
    tape = Tape(car(), 1400).requests(60, 961, on=False).request(985, on=True)
    tape.fault("reset", 1000, 1000, "node").reset("rear", 1000).fault("cut", 1000, None)
    return tape.output("lamp", *levels)


def test_a_reset_makes_void_what_was_asked_just_before_it():
    assert forgotten().broken() == []
    assert forgotten((999, 1), (1000, 0)).broken() == []
    assert stretches(forgotten((1100, 1), (1101, 0))) == [(1100 * MS, 1101 * MS)]


def test_what_comes_of_a_void_request_is_told_as_the_resets():
    assert forgotten((1100, 1), (1101, 0)).broken() == [("lamp", "reset")]


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


@pytest.mark.parametrize(("offs", "stays"), [(1, True), (2, False)])
def test_who_does_not_believe_one_message_alone_was_not_asked_to_be_off_by_it(offs, stays):
    """Back at 1010 ms asking off, once or twice, and then on: a receiver that waits for two in a
    row may not have heard of the one.
    """
    on_ms = 1010 + 50 * offs
    tape = Tape(car(lamp=LATCH), 3000).requests(60, 110, on=False).requests(110, 461, on=True)
    tape.fault("cut", 465, 1000).requests(1010, on_ms, on=False).requests(on_ms, 3000, on=True)
    assert (tape.output("lamp", (120, 1), (720, 0)).broken("lamp") == []) is stays
    assert tape.output("lamp", (120, 1), (720, 0), (on_ms + 15, 1)).broken("lamp") == []


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
    kept(restarted(LIT, (1000, 0), (1090, 1)).verdict("reset"), 30)


@pytest.mark.parametrize(
    ("levels", "right"),
    [
        ((), True),
        (((1665, 0),), True),
        (((2665, 0),), True),
        (((1665, 0), (2715, 1)), False),
        (((1665, 0), (2715, 1), (2720, 0)), False),
    ],
)
def test_a_latch_that_may_have_held_a_load_off_holds_it_at_the_next_doubt_too(levels, right):
    """On is asked for from 1010 ms on. Twice no request comes for 200 ms, from 1510 and from
    2510 ms on: the link may be lost 150 ms into each. A load that a latch has put off at the first
    stays off.
    """
    tape = Tape(car(lamp=LATCH | {"early": "100 ms"}), 3500).requests(60, 1010, on=False)
    tape.requests(1010, 1511, on=True).requests(1710, 2511, on=True).requests(2710, 3500, on=True)
    assert (tape.output("lamp", (1015, 1), *levels).broken() == []) is right


def test_a_latch_puts_off_what_was_on_because_the_link_was_lost():
    """No request comes from 460 to 700 ms: lost from 610 ms on, and lit from 610 to 830 ms. The
    one of 700 ms asks for on, which the latch does not let pass.
    """
    then = {"early": "100 ms", "hold_for": "80 ms", "then": "on"}

    def tape(*levels):
        made = Tape(car(lamp=LATCH | then), 3000).requests(60, 461, on=False)
        return made.fault("cut", 465, 690).requests(700, 3000, on=True).output("lamp", *levels)

    assert tape((690, 1), (715, 0)).broken("lamp") == []
    assert tape((690, 1), (715, 0), (760, 1)).broken("lamp") != []
    assert tape((690, 1), (699, 0)).broken("lamp") != []
