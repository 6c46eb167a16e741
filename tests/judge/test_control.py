"""*control*: what a program hands to its controller is what its inputs ask for."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, kept, untested

NAME = "Request.Lamp"


def tape(request, *handed, end_ms=3000, nodes=None, **inputs):
    """Request.Lamp by this table (debounce 20 ms, latency 70 ms), handed over as (ms, value)."""
    table = {"follows": "switch == on", **request}
    made = Tape(car(requests={NAME: table}, nodes=nodes), end_ms)
    for name, changes in inputs.items():
        made.input(name, *changes)
    return made.hand("Request", (60, 0), *handed)


PRESS = ((1000, "on"), (2000, "off"))


def followed(late, end_ms=3000, until=(2050, 0)):
    """On at 1000 ms, stable at 1020 ms, due at 1020 + 70 = 1090 ms."""
    return tape({}, (1090 + late, 1), until, end_ms=end_ms, switch=PRESS)


def test_a_request_is_due_after_debounce_and_latency():
    edge(followed, "control", NAME, deadline_ms=1090)


def test_the_end_of_a_request_is_due_likewise():
    """Off at 2000 ms: due at 2090 ms."""
    edge(lambda late: followed(-50, until=(2090 + late, 0)), "control", NAME, deadline_ms=2090)


def test_a_request_without_debouncing_counts_from_the_input():
    """1000 ms: 90 ms before it is due. A nanosecond earlier nobody had asked."""
    kept(followed(-90, until=(2000, 0)).verdict("control", NAME), 90)
    broken(followed(-90 - NS).verdict("control", NAME), NS, 1000 - NS)


def test_a_node_that_never_hands_anything_over_asks_for_nothing():
    """Wrong from 1090 ms until the switch goes off at 2000 ms."""
    made = Tape(car(requests={NAME: {"follows": "switch == on"}}), 3000)
    made.input("switch", *PRESS)
    broken(made.verdict("control", NAME), 910, 1090)


def test_a_node_that_hands_nothing_over_and_has_no_reason_to_was_not_tested():
    made = Tape(car(requests={NAME: {"follows": "switch == on"}}), 3000)
    untested(made.verdict("control", NAME))


@pytest.mark.parametrize("end_ms", [1090, 1050])
def test_a_deadline_at_the_end_tests_nothing(end_ms):
    untested(followed(-40, end_ms=end_ms, until=(1060, 1)).verdict("control", NAME))


def bouncing(late):
    """Edges at 1000, 1010 and 1020 ms: stable at 1040 ms, due at 1110 ms."""
    edges = ((1000, "on"), (1010, "off"), (1020, "on"))
    return tape({}, (1002, 1), (1012, 0), (1110 + late, 1), switch=edges)


def test_an_input_that_bounces_leaves_either_state_allowed():
    assert bouncing(0).broken(NAME) == []
    broken(bouncing(NS).verdict("control", NAME), NS, 1110)


def test_an_input_that_bounces_tests_the_request_all_the_same():
    """A node that hands nothing over is wrong from 1110 ms on."""
    edge(bouncing, "control", NAME, deadline_ms=1110)


def test_a_spike_shorter_than_the_debounce_asks_for_nothing():
    """On for 19 ms; for 20 ms it is stable, and asks."""
    spike = ((1000, "on"), (1019, "off"))
    untested(tape({}, switch=spike).verdict("control", NAME))
    late = tape({}, (1110, 1), switch=spike)
    broken(late.verdict("control", NAME))


def test_a_tap_that_may_be_missed_tests_nothing():
    """On for 50 ms: within the latency off is back; a node that missed it is not wrong."""
    tap = ((1000, "on"), (1050, "off"))
    untested(tape({}, switch=tap).verdict("control", NAME))
    assert tape({}, (1090, 1), (1140, 0), switch=tap).broken(NAME) == []
    broken(tape({}, (1090, 1), (1140 + NS, 0), switch=tap).verdict("control", NAME), NS, 1140)


def test_an_off_delay_keeps_the_request_on():
    """Off at 2000 ms, stable at 2020 ms, on up to 2520 ms, off by 2590 ms."""
    table = {"off_delay": "500 ms"}
    edge(
        lambda late: tape(table, (1050, 1), (2590 + late, 0), switch=PRESS),
        "control",
        NAME,
        deadline_ms=2590,
    )
    early = tape(table, (1050, 1), (2500 - NS, 0), switch=PRESS)
    broken(early.verdict("control", NAME), NS, 2500 - NS)
    kept(tape(table, (1050, 1), (2500, 0), switch=PRESS).verdict("control", NAME), 40)


TOUCH = {"one_touch": {"shorter_than": "400 ms", "lasts": "900 ms"}}


def test_a_short_touch_lasts():
    """On from 1000 to 1200 ms, debounced from 1020 ms on: on up to 1920 ms, off by 1990 ms."""
    touch = ((1000, "on"), (1200, "off"))
    edge(
        lambda late: tape(TOUCH, (1050, 1), (1990 + late, 0), switch=touch),
        "control",
        NAME,
        deadline_ms=1990,
    )


def test_a_long_touch_lasts_as_long_as_it_lasts():
    """On from 1000 to 1400 ms: not shorter than 400 ms; off by 1490 ms."""
    touch = ((1000, "on"), (1400, "off"))
    edge(
        lambda late: tape(TOUCH, (1050, 1), (1490 + late, 0), switch=touch),
        "control",
        NAME,
        deadline_ms=1490,
    )


def test_while_gates_the_request():
    """The key goes off at 1500 ms and on again at 1800 ms: 1590 and 1890 ms."""
    table = {"while": "key == on"}
    key = ((0, "on"), (1500, "off"), (1800, "on"))

    def made(off, on):
        return tape(table, (1050, 1), (off, 0), (on, 1), (2050, 0), switch=PRESS, key=key)

    edge(lambda late: made(1590 + late, 1850), "control", NAME, deadline_ms=1590)
    edge(lambda late: made(1550, 1890 + late), "control", NAME, deadline_ms=1890)


def test_once_per_press_waits_for_the_next_press():
    table = {"while": "key == on", "once_per_press": True}
    key = ((0, "on"), (1500, "off"), (1600, "on"))
    switch = (*PRESS, (2300, "on"))

    def made(*more):
        return tape(table, (1050, 1), (1550, 0), *more, switch=switch, key=key)

    kept(made((2380, 1)).verdict("control", NAME), 10)
    assert made((1700, 1), (2050, 0), (2380, 1)).broken(NAME) == [(NAME, "control")]


def test_a_press_that_begins_while_refused_asks_for_nothing():
    table = {"while": "key == on", "once_per_press": True}
    made = tape(table, switch=PRESS, key=((1500, "on"),))
    untested(made.verdict("control", NAME))
    assert tape(table, (1600, 1), switch=PRESS, key=((1500, "on"),)).broken(NAME) != []


def test_a_press_together_with_what_allows_it_may_be_refused_or_not():
    """Of two inputs that move within their debounce of 20 ms, either may be noted first."""
    table = {"while": "key == on", "once_per_press": True}

    def made(key_ms, *handed):
        return tape(table, *handed, switch=PRESS, key=((key_ms, "on"),)).broken(NAME)

    for key_ms in (1000, 980, 1020):
        assert made(key_ms) == []
        assert made(key_ms, (1050, 1), (2050, 0)) == []
    assert made(980 - NS) == [(NAME, "control")]
    assert made(1020 + NS, (1050, 1), (2050, 0)) == [(NAME, "control")]


def test_prime_lasts_from_the_condition_on():
    """The key at 1000 ms, debounced 1020 ms: on by 1090 ms, up to 1620 ms, off by 1690 ms."""
    table = {"prime": {"when": "key == on", "lasts": "600 ms"}}
    key = ((1000, "on"),)
    edge(
        lambda late: tape(table, (1090 + late, 1), (1650, 0), key=key),
        "control",
        NAME,
        deadline_ms=1090,
    )
    edge(
        lambda late: tape(table, (1050, 1), (1690 + late, 0), key=key),
        "control",
        NAME,
        deadline_ms=1690,
    )


def test_hysteresis_holds_between_its_limits():
    """On above 50 at 1000 ms, 45 at 1500 ms changes nothing, below 40 at 2000 ms: off."""
    table = {"follows": "speed > 50", "until": "speed < 40"}
    speed = ((1000, 60.0), (1500, 45.0), (2000, 30.0))
    edge(
        lambda late: tape(table, (1050, 1), (2090 + late, 0), speed=speed),
        "control",
        NAME,
        deadline_ms=2090,
    )
    early = tape(table, (1050, 1), (1600, 0), speed=speed)
    assert early.broken(NAME) == [(NAME, "control")]


RECEIVED = {
    "follows": "switch == on",
    "while": "Engine.Running == 1",
    "received": {"stale_after": "250 ms", "when_stale": "off"},
}


def engine(made, from_ms, to_ms, running=1):
    for at_ms in range(from_ms, to_ms, 50):
        made.frame(at_ms, 0x110, [running], sender="rear")
    return made


def test_a_received_signal_that_goes_stale_ends_the_request():
    """Last heard at 1960 ms: stale at 2210 ms, reaction 20 ms, latency 70 ms: off by 2300 ms."""
    press = ((1000, "on"),)

    def made(late):
        return engine(tape(RECEIVED, (1050, 1), (2300 + late, 0), switch=press), 60, 2000)

    edge(made, "control", NAME, deadline_ms=2300)


def test_a_received_signal_that_says_no_ends_the_request():
    """Running up to 1960 ms, not running at 2010 ms: off by 2080 ms."""
    press = ((1000, "on"),)

    def made(late):
        going = engine(tape(RECEIVED, (1050, 1), (2080 + late, 0), switch=press), 60, 2000)
        return engine(going, 2010, 3000, running=0)

    edge(made, "control", NAME, deadline_ms=2080)


def test_a_link_that_is_back_counts_from_the_first_message_or_within_the_latency():
    """The engine is heard again at 1400 ms: from then or from 1470 ms on. A press that is stable
    in between may be refused, and then has to come anew; one that comes later may not.
    """
    table = {**RECEIVED, "once_per_press": True}

    def made(pressed_ms, *handed):
        going = tape(table, *handed, switch=((pressed_ms, "on"), (2000, "off")))
        return engine(engine(going, 60, 1000), 1400, 3000)

    assert made(1450 - NS).broken(NAME) == []
    assert made(1450 - NS, (1500, 1), (2050, 0)).broken(NAME) == []
    assert made(1450).broken(NAME) == [(NAME, "control")]
    assert made(1450, (1540, 1), (2050, 0)).broken(NAME) == []


def test_a_signal_that_was_never_received_counts_as_stale():
    made = tape(RECEIVED, switch=PRESS)
    untested(made.verdict("control", NAME))
    assert tape(RECEIVED, (1050, 1), switch=PRESS).broken(NAME) != []


def test_inputs_count_as_the_node_reads_them():
    """The lead of the switch is stuck: the driver asks, the node cannot know."""
    made = tape({}).fault("stuck", 500, 2500, "input")
    made.recording.inputs["switch"].set(1_000_000_000, "on")
    assert made.broken(NAME) == []
    untested(made.verdict("control", NAME))


def test_a_program_off_the_bus_need_not_hand_anything_over():
    """Off the bus from 900 to 1500 ms: excused up to 1500 + 400 = 1900 ms."""

    def made(on_at):
        going = tape({}, (on_at, 1), (2050, 0), switch=PRESS)
        return going.controller("dash", (900, "BUS_OFF"), (1500, "ERROR_ACTIVE"))

    assert made(1900).broken(NAME) == []
    assert made(1900 + NS).broken(NAME) == [(NAME, "control")]


def test_a_reset_ends_a_bus_off_and_its_excuse():
    """Off the bus from 900 ms, reset at 1200 ms, up at 1300 ms: due at 1300 + 20 + 70 = 1390 ms."""

    def made(on_at):
        going = tape({}, (on_at, 1), (2050, 0), switch=PRESS)
        going.controller("dash", (900, "BUS_OFF")).reset("dash", 1200)
        return going.fault("reset", 1200, 1200, "node")

    assert made(1390).broken(NAME) == []
    assert made(1390 + NS).broken(NAME) == [(NAME, "control")]


def test_after_a_reset_a_node_may_have_forgotten_how_long_its_request_lasts():
    """The off delay runs from 2020 to 2520 ms; the reset at 2100 ms may end it or not."""
    table = {"off_delay": "500 ms"}
    for handed in ([(2160, 0)], [(2160, 1), (2590, 0)]):
        made = tape(table, (1050, 1), *handed, switch=PRESS).reset("dash", 2100)
        assert made.fault("reset", 2100, 2100, "node").broken(NAME) == []
    made = tape(table, (1050, 1), (2160, 1), (2590 + NS, 0), switch=PRESS).reset("dash", 2100)
    assert made.fault("reset", 2100, 2100, "node").broken(NAME) == [(NAME, "control")]


def test_a_request_after_the_boot_is_due_after_debounce_and_latency_too():
    """On from the beginning; the boot ends at 100 ms: due at 100 + 20 + 70 = 190 ms."""
    made = tape({}, (190, 1), switch=((0, "on"),))
    assert made.broken(NAME) == []
    late = tape({}, (190 + NS, 1), switch=((0, "on"),))
    broken(late.verdict("control", NAME), NS, 190)


def hung(late):
    """Hung from 900 to 1500 ms: it sees the switch then, due at 1500 + 20 + 70 = 1590 ms."""
    going = tape({}, (1590 + late, 1), (2050, 0), switch=PRESS)
    return going.node("dash", (900, "hung", "fault"), (1500, "running", "fault"))


def test_a_hung_program_has_its_latency_when_it_goes_on():
    kept(hung(-1).verdict("control", NAME), 1)
    kept(hung(0).verdict("control", NAME), 0)
    broken(hung(NS).verdict("control", NAME))


def hung_early(off_ms):
    """Off at 2000 ms, stable at 2020 ms; hung from 2010 to 2100 ms: the off delay of 500 ms runs
    from 2020 or from 2100 ms on, and with the latency of 70 ms it is over by 2670 ms.
    """
    going = tape({"off_delay": "500 ms"}, (1050, 1), (off_ms, 0), switch=PRESS)
    return going.node("dash", (2010, "hung", "fault"), (2100, "running", "fault"))


def test_an_input_that_is_stable_while_its_program_hangs_is_noted_behind_it():
    kept(hung_early(2669).verdict("control", NAME), 1)
    kept(hung_early(2670).verdict("control", NAME), 0)
    broken(hung_early(2670 + NS).verdict("control", NAME))
    assert hung_early(2500).broken(NAME) == []
    assert hung_early(2500 - NS).broken(NAME) == [(NAME, "control")]


def stale_early(off_ms):
    """Last heard at 1960 ms: from 1960 + 245 = 2205 ms on, less a debounce of 20 ms."""
    press = ((1000, "on"),)
    return engine(tape(RECEIVED, (1050, 1), (off_ms, 0), switch=press), 60, 2000)


def test_a_received_signal_may_be_called_stale_early():
    assert stale_early(2185).broken(NAME) == []
    broken(stale_early(2185 - NS).verdict("control", NAME), at_ms=2185 - NS)


def test_a_node_is_told_by_how_much_it_is_wrong_at_best():
    broken(stale_early(2185 - NS).verdict("control", NAME), NS, 2185 - NS)
    broken(hung(NS).verdict("control", NAME), NS, 1590)
    broken(hung_early(2670 + NS).verdict("control", NAME), NS, 2670)


def test_a_program_that_has_just_begun_may_not_yet_believe_its_inputs():
    """It runs again at 2150 ms and debounces for 20 ms. A switch that goes off before 2170 ms may
    never have been on for it, or have been on at its begin: off delay up to 2180 + 500 ms.
    """
    table = {"off_delay": "500 ms"}

    def made(off_ms, *handed):
        press = ((1000, "on"), (off_ms, "off"))
        going = tape(table, (1050, 1), *handed, switch=press).reset("dash", 2100)
        return going.fault("reset", 2100, 2100, "node").broken(NAME)

    assert made(2160, (2250, 0)) == []
    assert made(2160, (2160, 1), (2750, 0)) == []
    assert made(2160, (2160, 1), (2750 + NS, 0)) == [(NAME, "control")]
    assert made(2170 + NS, (2250, 0)) == [(NAME, "control")]
