"""*stopped* and *program*: a program that hangs, one that fails, one that resets its own board."""

from __future__ import annotations

import pytest
from judge_lab import MS, NS, Tape, broken, car, edge, stretches, untested

NO_WATCHDOG = {"rear": {"watchdog": None}}


def hung(reset_at, cause="watchdog", end_ms=3000, nodes=None, load=None):
    """The rear program hangs at 1000 ms, watchdog 200 ms, and is reset at ``reset_at``."""
    tape = Tape(car(lamp=load or {}, nodes=nodes), end_ms).requests(60, end_ms, on=False)
    tape.fault("hang", 1000, 1000, "node").node("rear", (1000, "hung", "fault"))
    if reset_at is not None:
        tape.reset("rear", reset_at, cause)
    return tape


@pytest.mark.parametrize("subject", ["rear", "lamp"])
def test_a_stopped_program_is_restarted_within_the_watchdog_time(subject):
    edge(lambda late: hung(1200 + late), "stopped", subject, deadline_ms=1200)


def test_a_program_that_nothing_restarts_is_broken_to_the_end():
    broken(hung(None).verdict("stopped"), 1800, 1200)


def test_a_program_that_never_hung_tests_nothing():
    tape = Tape(car(), 3000).requests(60, 3000, on=False)
    untested(tape.verdict("stopped"))
    untested(tape.verdict("stopped", "rear"))


@pytest.mark.parametrize("end_ms", [1200, 1100])
def test_a_watchdog_time_that_outlasts_the_recording_tests_nothing(end_ms):
    untested(hung(None, end_ms=end_ms).verdict("stopped"))


def test_a_program_that_goes_on_by_itself_tests_no_watchdog():
    tape = hung(None).node("rear", (1150, "running", "fault"))
    untested(tape.verdict("stopped"))


def test_a_reset_by_another_fault_proves_no_watchdog():
    untested(hung(1100, "fault").verdict("stopped"))


def test_without_a_watchdog_every_safety_relevant_load_is_broken():
    tape = hung(None, nodes=NO_WATCHDOG)
    broken(tape.verdict("stopped"), at_ms=1000)
    assert tape.verdict("stopped").text.startswith("node rear has no watchdog")


def test_without_a_watchdog_a_load_of_no_consequence_is_not_broken_by_that():
    tape = hung(None, nodes=NO_WATCHDOG, load={"safety": False})
    assert ("lamp", "stopped") not in tape.broken()


def change_while_hung(*levels, until=1190, resumes=False):
    """Lit, asked off at 1010 ms while the program hangs (1000 ms on)."""
    tape = Tape(car(), 3000).requests(60, 1010, on=True).requests(1010, 3000, on=False)
    tape.fault("hang", 1000, 1000, "node").node("rear", (1000, "hung", "fault"))
    tape.output("lamp", (70, 1), *levels)
    if resumes:
        return tape.node("rear", (until, "running", "fault"))
    return tape.reset("rear", until, "watchdog")


def test_a_hung_program_leaves_its_outputs_as_they_were():
    """Lit until the watchdog resets the node at 1190 ms."""
    assert change_while_hung((1190, 0)).broken() == []


def test_a_load_is_excused_for_the_watchdog_time_only():
    """Reset at 1450 ms, 250 ms late. Behind 1200 ms the messages of 1210 and 1260 ms count: dark
    was due at 1280 ms.
    """
    tape = change_while_hung((1450, 0), until=1450)
    broken(tape.verdict("stopped"), 250, 1200)
    assert stretches(tape) == [(1280 * MS, 1450 * MS)]


def test_a_program_that_goes_on_may_have_lost_what_came_meanwhile():
    """It goes on at 1150 ms: the message of 1160 ms is due at 1180 ms."""

    def tape(late):
        return change_while_hung((1180 + late, 0), until=1150, resumes=True)

    assert change_while_hung((1150, 0), until=1150, resumes=True).broken() == []
    edge(tape, "fresh", deadline_ms=1180)


def test_what_was_asked_just_before_a_hang_stays_open_until_a_latency_behind_it():
    """Asked off at 985 ms, due at 1005 ms; hung from 1000 to 1150 ms: due at 1170 ms."""

    def tape(late, asked_ms=985, dark_ms=1170):
        made = Tape(car(), 3000).requests(60, 951, on=True).request(asked_ms, on=False)
        made.fault("hang", 1000, 1000, "node").node("rear", (1000, "hung", "fault"))
        made.node("rear", (1150, "running", "fault")).requests(1185, 3000, on=False)
        return made.output("lamp", (70, 1), (dark_ms + late, 0))

    edge(tape, "fresh", deadline_ms=1170)
    edge(lambda late: tape(late, 979, 999), "fresh", deadline_ms=999)


def test_what_comes_while_a_program_hangs_is_behind_what_came_just_before():
    """Off is asked for at 985 ms, where the link may have been lost; hung from 1000 to 1090 ms, and
    on asked for meanwhile. Who reads them all at the end is lit from there on, and may stay so.
    """

    def tape(*levels):
        made = Tape(car(lamp={"request": "Plain.Lamp", "early": "100 ms"}), 3000)
        made.plain(60, 811, on=False).plain(985, 986, on=False).plain(1035, 3000, on=True)
        made.fault("hang", 1000, 1000, "node").node("rear", (1000, "hung", "fault"))
        return made.node("rear", (1090, "running", "fault")).output("lamp", *levels)

    assert tape((1090, 1)).broken("lamp") == []
    assert tape((1155, 1)).broken("lamp") == []
    broken(tape((1155 + NS, 1)).verdict("rejoin"), NS, 1155)


def test_an_input_that_moved_meanwhile_is_debounced_behind_the_hang():
    """Down at 1050 ms; hung from 1000 to 1150 ms: due 30 + 20 ms behind that."""

    def tape(late):
        pedal = {"request": None, "local": "pedal == down", "local_use": "follows"}
        made = Tape(car(lamp=pedal | {"on_stale": None, "debounce": "30 ms"}), 3000)
        made.fault("hang", 1000, 1000, "node").node("rear", (1000, "hung", "fault"))
        made.node("rear", (1150, "running", "fault")).input("pedal", (1050, "down"))
        return made.output("lamp", (1200 + late, 1))

    edge(tape, "local", deadline_ms=1200)


@pytest.mark.parametrize(("last_ms", "deadline_ms"), [(1111, 1420), (981, 1420), (979, 1249)])
def test_the_age_of_a_message_counts_from_when_a_program_that_hung_can_have_taken_it(
    last_ms, deadline_ms
):
    """Hung from 1000 to 1150 ms: what came meanwhile, or less than 20 ms before, is taken at 1150
    ms at the latest, and stale 250 ms behind that, with 20 ms to react.
    """

    def tape(late):
        made = Tape(car(), 3000).requests(60, last_ms - 25, on=True).request(last_ms, on=True)
        made.fault("hang", 1000, 1000, "node").node("rear", (1000, "hung", "fault"))
        made.node("rear", (1150, "running", "fault")).fault("cut", last_ms + 5, None)
        return made.output("lamp", (70, 1), (deadline_ms + late, 0))

    edge(tape, "stale", deadline_ms=deadline_ms)


def test_a_program_that_hung_may_look_at_its_clock_before_it_reads_what_has_come():
    """Good up to 910 ms, and from 1110 ms on; hung from 1000 to 1190 ms. Where it goes on, 245 ms
    and more have passed since the last that it read. It believes two in a row: due at 1280 ms.
    """

    def back(*levels, hangs=True):
        tape = Tape(car(), 3000).requests(60, 911, on=True).fault("cut", 915, 1090)
        if hangs:
            tape.fault("hang", 1000, 1000, "node").node("rear", (1000, "hung", "fault"))
            tape.node("rear", (1190, "running", "fault"))
        return tape.requests(1110, 3000, on=True).output("lamp", (70, 1), *levels)

    assert back().broken("lamp") == []
    assert back((1190, 0), (1195, 1)).broken("lamp") == []
    assert back((1190, 0), (1280, 1)).broken("lamp") == []
    assert back((1190, 0), (1280 + NS, 1)).broken("lamp") != []
    assert back((1150, 0), (1160, 1), hangs=False).broken("lamp") != []


def test_a_hung_program_that_does_something_is_broken():
    """Asked off all the time: a pulse while it hangs has no cause."""
    tape = hung(1190).output("lamp", (1100, 1), (1101, 0))
    assert stretches(tape) == [(1100 * MS, 1101 * MS)]


def test_a_program_that_fails_is_broken():
    tape = Tape(car(), 3000).requests(60, 3000, on=False).crash("rear", 1000)
    verdict = next(v for v in tape.judged() if (v.subject, v.rule) == ("rear", "program"))
    broken(verdict, at_ms=1000)
    assert "ValueError: no" in verdict.text


@pytest.mark.parametrize("cause", ["program", "watchdog"])
def test_a_reset_that_nothing_called_for_is_broken_and_excuses_nothing(cause):
    """Asked on from 310 ms on; dark from 1000 to 1060 ms because the program reset its board."""
    tape = Tape(car(), 3000).requests(60, 310, on=False).requests(310, 3000, on=True)
    tape.reset("rear", 1000, cause).output("lamp", (320, 1), (1000, 0), (1060, 1))
    assert tape.broken() == [("lamp", "fresh"), ("rear", "program")]
    broken(tape.verdict("fresh"), 60, 1000)


@pytest.mark.parametrize("cause", ["fault", "watchdog"])
def test_a_lawful_reset_is_no_break_of_the_program(cause):
    tape = hung(1100, cause)
    assert all(v.rule != "program" for v in tape.judged())
    assert tape.broken() == []
