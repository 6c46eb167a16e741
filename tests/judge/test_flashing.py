"""*flash* and *in step*: rate and on-share over whole cycles, and lamps that flash together."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, kept, untested

FLASH = {"flash": {"rhythm": "Plain.Lamp"}}
ALONE = {"flash": {}}
"""In a rhythm of its own."""


def asked(load=None, end_ms=6000, to_ms=None):
    """Asked to flash from 1010 ms on: only flashing is allowed from 1030 ms on."""
    tape = Tape(car(lamp=load or FLASH), end_ms).requests(60, 1010, on=False)
    tape.requests(1010, to_ms or end_ms, on=True)
    return tape.requests(to_ms, end_ms, on=False) if to_ms else tape


def periods(*cycles_ms, from_ms=1020, on_share=0.5, end_ms=6000):
    """A lamp that lights up at these distances, over and over, lit for this share of each."""
    tape, at_ms, index = asked(end_ms=end_ms), from_ms, 0
    while at_ms < end_ms:
        cycle_ms = cycles_ms[index % len(cycles_ms)]
        tape.output("lamp", (at_ms, 1), (at_ms + round(cycle_ms * on_share), 0))
        at_ms, index = at_ms + cycle_ms, index + 1
    return tape


@pytest.mark.parametrize("cycle_ms", [500, 660, 1000])
def test_sixty_to_a_hundred_and_twenty_per_minute_are_allowed(cycle_ms):
    assert periods(cycle_ms).verdict("flash").broken is False
    kept(periods(cycle_ms).verdict("flash"))


@pytest.mark.parametrize(
    ("cycle_ms", "text"), [(499, "times per minute"), (1001, "did not light up again within 1 s")]
)
def test_faster_and_slower_are_not(cycle_ms, text):
    verdict = periods(cycle_ms).verdict("flash")
    broken(verdict)
    assert text in verdict.text


@pytest.mark.parametrize("share", [0.3, 0.5, 0.75])
def test_the_on_share_is_allowed_from_30_to_75_percent(share):
    kept(periods(800, on_share=share).verdict("flash"))


@pytest.mark.parametrize("share", [0.29, 0.76])
def test_another_on_share_is_not(share):
    verdict = periods(800, on_share=share).verdict("flash")
    broken(verdict)
    assert "was lit for" in verdict.text


def test_one_cycle_of_another_length_is_averaged_with_its_neighbours():
    """450, 600, 600 ms: rates 133.3, 100, 100, mean 111.1."""
    kept(periods(450, 600, 600).verdict("flash"))


def test_a_steady_lamp_is_broken_after_the_longest_cycle():
    """Lit at 1020 ms: the next rise was due at 2020 ms. Dark: only flashing from 1030 ms on, and a
    dark phase of others lasts 700 ms at most.
    """
    broken(asked().output("lamp", (1020, 1)).verdict("flash"), 3980, 2020)
    broken(asked().verdict("flash"), 4270, 1730)


def test_a_lamp_that_flashes_before_it_may_is_broken():
    assert asked().flashing("lamp", 1010, 6000).broken() == []
    early = asked().flashing("lamp", 1010 - NS, 6000)
    broken(early.verdict("fresh"), NS, 1010 - NS)


@pytest.mark.parametrize("lit_ms", [1, 100, 329])
def test_a_first_lit_phase_that_joins_a_running_rhythm_may_be_short(lit_ms):
    """Lit for a moment, dark for 330 ms, then 330 ms each."""
    tape = asked().output("lamp", (1020, 1), (1020 + lit_ms, 0))
    tape.flashing("lamp", 1020 + lit_ms + 330, 6000)
    assert tape.broken() == []
    kept(tape.verdict("flash"))


def test_a_lit_phase_in_a_rhythm_may_not_be_short():
    """The third is: 100 ms lit, 100 ms dark; the mean of three cycles is too fast."""
    tape = asked().flashing("lamp", 1020, 2340)
    tape.output("lamp", (2340, 1), (2440, 0)).flashing("lamp", 2540, 6000)
    broken(tape.verdict("flash"))


def beginning(first_ms, load=None):
    """Lit at that instant, and then every second."""
    tape = asked(load, end_ms=5500)
    for at_ms in (first_ms, 2730, 3730, 4730):
        tape.output("lamp", (at_ms, 1), (at_ms + 500, 0))
    return tape


def test_the_first_lit_phase_may_wait_for_a_dark_phase_of_others():
    """Only flashing from 1030 ms on: lit by 1730 ms."""
    kept(beginning(1730).verdict("flash"), 0)
    broken(beginning(1730 + NS).verdict("flash"), NS, 1730)


def alone(first_ms, lit_ms=330):
    """A lamp in its own rhythm that lights up at that instant, for so long."""
    tape = asked(ALONE).output("lamp", (first_ms, 1), (first_ms + lit_ms, 0))
    return tape.flashing("lamp", first_ms + lit_ms + 330, 6000)


def test_in_a_rhythm_of_its_own_a_lamp_lights_up_within_the_latency():
    assert alone(1030).broken("lamp") == []
    verdict = alone(1030 + NS).verdict("flash")
    broken(verdict, NS, 1030)
    assert "did not begin to flash with a lit phase" in verdict.text


def test_in_a_rhythm_of_its_own_a_first_cycle_that_is_dropped_is_broken():
    broken(alone(1020 + 660).verdict("flash"), 650, 1030)
    assert beginning(1730).broken("lamp") == []


@pytest.mark.parametrize(("load", "found"), [(ALONE, [("lamp", "flash")]), (FLASH, [])])
def test_in_a_rhythm_of_its_own_the_first_lit_phase_is_a_whole_one(load, found):
    tape = asked(load).output("lamp", (1020, 1), (1030, 0))
    assert tape.flashing("lamp", 1280, 6000, 250, 250).broken("lamp") == found


def cycle(late):
    """Lit at 1020 and, due then, at 2020 ms; then every 900 ms."""
    tape = asked(end_ms=5500).output("lamp", (1020, 1), (1520, 0), (2020 + late, 1), (2520, 0))
    return tape.output("lamp", (2920, 1), (3370, 0), (3820, 1), (4270, 0), (4720, 1), (5170, 0))


def test_no_longest_period_passes_without_a_rise():
    kept(cycle(0).verdict("flash"), 0)
    broken(cycle(NS).verdict("flash"), NS, 2020)


def test_a_cycle_that_is_left_out_is_broken_however_right_the_mean():
    """Rises 660 ms apart, but for one that is 1320 ms behind the one before."""
    tape = asked().flashing("lamp", 1030, 2020).flashing("lamp", 3010, 6000)
    broken(tape.verdict("flash"), 320, 2690)


def test_a_lamp_that_flashes_once_and_then_stays_lit_is_broken():
    """Lit at 1100, 1700 and 2300 ms: the next was due at 3300 ms."""
    tape = asked().output("lamp", (1100, 1), (1400, 0), (1700, 1), (2000, 0), (2300, 1))
    broken(tape.verdict("flash"), 2700, 3300)


def hung(back_ms):
    """Hung in a lit phase from 2500 ms on, for less than its watchdog's 200 ms, and going on."""
    tape = asked().flashing("lamp", 1030, 2500).output("lamp", (2500, 1), (back_ms, 0))
    tape.node("rear", (2500, "hung", "fault"), (2690, "running", "fault"))
    return tape.fault("hang", 2500, 2690, "node").flashing("lamp", back_ms + 330, 6000)


def test_a_program_that_hangs_leaves_the_rhythm():
    """Its pattern begins anew: lit at 2780 ms, it lights up again by 3780 ms."""
    assert hung(3450).broken("lamp") == []
    assert hung(3450 + NS).broken("lamp") == [("lamp", "flash")]


def forced(next_ms):
    """Asked to flash all the time, and on where the pedal is down, from 2000 up to 3000 ms."""
    never = [{"state": "off", "when": "pedal == down", "within": "100 ms"}]
    tape = asked(FLASH | {"never": never}).input("pedal", (2000, "down"), (3000, "up"))
    tape.flashing("lamp", 1030, 2010).output("lamp", (2050, 1), (3300, 0))
    return tape.flashing("lamp", next_ms, 6000)


def test_a_lamp_that_was_on_for_another_reason_begins_its_pattern_behind_that():
    """Only flashing from 3020 ms on: lit then, it lights up again by 4020 ms."""
    assert forced(4020).broken("lamp") == []
    assert forced(4020 + NS).broken("lamp") == [("lamp", "flash")]


def asked_anew(rises_ms):
    """Asked to flash, to be dark from 2210 ms on, and to flash from 2800 ms on: the first may
    flash until 3230 ms, so that nobody must have gone off between.
    """
    tape = Tape(car(lamp=FLASH), 6000).requests(60, 1010, on=False).requests(1010, 2210, on=True)
    tape.requests(2210, 2800, on=False).requests(2800, 6000, on=True)
    return tape.flashing("lamp", 1030, 2230).flashing("lamp", rises_ms, 6000)


def test_a_pattern_that_ended_begins_anew():
    """Dark since 2020 ms, and asked for again at 2800 ms: with a dark phase of 700 ms before it,
    it lights up by 2820 + 700 = 3520 ms.
    """
    kept(asked_anew(2820).verdict("flash"))
    assert asked_anew(3520).broken("lamp") == []
    broken(asked_anew(3520 + NS).verdict("flash"), NS, 3520)


def test_a_request_shorter_than_the_longest_cycle_tests_nothing():
    """From 1030 to 2030 ms."""
    tape = asked(to_ms=2030).flashing("lamp", 1020, 1810)
    untested(tape.verdict("flash"))
    assert tape.broken() == []


def test_a_wrong_rate_is_wrong_in_a_short_request_too():
    """Asked from 1010 to 2510 ms; five flashes a second."""
    tape = asked(to_ms=2510).flashing("lamp", 1020, 2510, lit_ms=100, dark_ms=100)
    broken(tape.verdict("flash"))


def test_the_longest_cycle_tests_nothing_yet():
    """Flashing from 1020 ms on, recorded up to 2030 ms: a steady lamp would not be found yet."""
    tape = asked(end_ms=2030).output("lamp", (1020, 1), (1300, 0), (1720, 1))
    untested(tape.verdict("flash"))


def ending(dark_ms):
    """Asked off at 4010 ms: the last flash may take 4010 + 20 + 1000 = 5030 ms."""
    tape = asked(to_ms=4010, end_ms=6500).flashing("lamp", 1010, 3650)
    return tape.output("lamp", (3650, 1), (dark_ms, 0))


def test_a_flash_may_finish_its_cycle():
    edge(lambda late: ending(5030 + late), "fresh", deadline_ms=5030)


def test_a_flash_that_ends_does_not_begin_again():
    """Asked off at 4010 ms: one more cycle at 4310 ms is the end of it."""
    assert ending(4000).output("lamp", (4310, 1), (4640, 0)).broken() == []
    twice = ending(4000).output("lamp", (4310, 1), (4640, 0), (5030 + NS, 1), (5040, 0))
    broken(twice.verdict("fresh"), 10 - NS, 5030 + NS)


def test_a_lamp_that_goes_on_flashing_is_broken():
    """Lit from 4990 ms on; dark was due at 5030 ms."""
    tape = ending(4000).flashing("lamp", 4330, 5900)
    broken(tape.verdict("fresh"))


def test_the_end_of_a_flash_is_tested_when_the_next_flash_would_have_been_seen():
    """Asked off at 2010 ms, dark due at 2010 + 20 + 1000 = 3030 ms. Lit at 1030 and 1760 ms for
    330 ms each, the lamp would, going on so, be dark at 3030 ms (540 ms into a cycle of 730 ms)
    and lit again at 3220 ms. (A second of flashing tests no steady lamp.)
    """

    def tape(end_ms):
        made = asked(to_ms=2010, end_ms=end_ms)
        return made.output("lamp", (1030, 1), (1360, 0), (1760, 1), (2100, 0))

    untested(tape(3220).verdict("fresh"))
    kept(tape(3220 + NS).verdict("fresh"), 930)


def pair(late, end_ms=6000, partner=True):
    loads = {"lamp": {"flash": {"in_step_with": "other"}}, "other": FLASH}
    tape = Tape(car(**loads), end_ms).requests(60, 1010, on=False).requests(1010, end_ms, on=True)
    tape.flashing("lamp", 1020, end_ms)
    return tape.flashing("other", 1020 + late, end_ms) if partner else tape


def test_lamps_light_up_together_within_the_skew():
    """100 ms by default."""
    kept(pair(0).verdict("in step"), 100)
    kept(pair(100).verdict("in step"), 0)
    verdict = pair(100 + NS).verdict("in step")
    broken(verdict)
    assert verdict.margin_ns == -1


def test_lamps_in_opposite_step_are_broken():
    broken(pair(330).verdict("in step"))


def test_a_partner_that_does_not_flash_breaks_the_step():
    broken(pair(0, partner=False).verdict("in step"))


@pytest.mark.parametrize(
    ("first_ms", "second_ms", "who"),
    [(0, 200, "other"), (200, 0, "lamp"), (-100, 100, "lamp and other"), (-40, 70, "other")],
)
def test_which_of_two_lamps_left_the_rhythm_is_told(first_ms, second_ms, who):
    """A cycle of 660 ms begins at 1020 ms, and a message says all the time how long ago."""
    rhythm = {"rhythm": "Beat.Since"}
    loads = {"lamp": {"flash": rhythm | {"in_step_with": "other"}}, "other": {"flash": rhythm}}
    tape = Tape(car(**loads), 6000).requests(60, 1010, on=False).requests(910, 6000, on=True)
    for at_ms in range(1020, 6000, 50):
        tape.frame(at_ms, 0x104, [(at_ms - 1020) % 660 // 5])
    tape.flashing("lamp", 1020 + first_ms, 6000).flashing("other", 1020 + second_ms, 6000)
    verdict = tape.verdict("in step")
    broken(verdict)
    assert verdict.text.endswith(f"; {who} left the rhythm of Beat.Since")
    assert verdict.culprit == ("" if " and " in who else "rear")


def test_no_flashing_tests_no_step():
    loads = {"lamp": {"flash": {"in_step_with": "other"}}, "other": FLASH}
    tape = Tape(car(**loads), 3000).requests(60, 3000, on=False)
    untested(tape.verdict("in step"))
