"""What a load may say beyond its request and its fail-safe states, and how mistakes are told."""

from __future__ import annotations

import pytest
from written_car import DBC, VEHICLE

from linkloss.vehicle.expression import Condition
from linkloss.vehicle.load import Level, LoadTable, state_text

MS = 1_000_000
TAIL = 'on_reset = "on"'
STOP = 'output = "stop_lamp"'
WITH_BRIGHTNESS = DBC.replace("LampRequest: 2 dash", "LampRequest: 3 dash").replace(
    ' SG_ Stop : 1|1@1+ (1,0) [0|1] "" rear',
    ' SG_ Stop : 1|1@1+ (1,0) [0|1] "" rear\n SG_ Brightness : 8|8@1+ (0.5,0) [0|100] "%" rear',
)
FULL = """on_reset = "30 %"
level = "LampRequest.Brightness"
pwm = "200 Hz"
ramp_up = "300 ms"
ramp_down = "1 s"
then = "brake == pressed"
hold_for = "10 s"
confirm = 3
follow_again = "400 ms"
latency_off = "40 ms"
link = "DashStatus"
bus_off = "lost"
longest_on = "30 min"
shortest_off = "2 s"
on_sleep = "on"
trip = { when = "brake == pressed", off_until = "brake == released" }"""


@pytest.fixture
def bright(car):
    """The car, with a signal that says how bright its lamps are to be."""
    car.write("written.dbc", WITH_BRIGHTNESS)
    return car


def test_every_key_of_a_load_is_read(bright):
    tail = bright.change(TAIL, FULL).load().loads["tail"]
    assert tail.on_reset == Level(30.0)
    assert tail.pwm == 200.0
    assert (tail.ramp_up, tail.ramp_down) == (300 * MS, 1_000 * MS)
    assert isinstance(tail.then, Condition)
    assert tail.then.names == ("brake",)
    assert (tail.confirm, tail.follow_again) == (3, 400 * MS)
    assert (tail.latency, tail.off_latency_ns) == (20 * MS, 40 * MS)
    assert (tail.link, tail.bus_off, tail.after_jump) == ("DashStatus", "lost", "accept")
    assert (tail.longest_on, tail.shortest_off) == (1_800_000 * MS, 2_000 * MS)
    assert tail.on_sleep == "on"
    assert tail.trip is not None
    assert tail.trip.when({"brake": "pressed"})
    assert tail.trip.off_until({"brake": "released"})


def test_what_is_not_said_changes_nothing():
    load = LoadTable(node="rear", latency="25 ms")
    assert load.off_latency_ns == 25 * MS
    assert (load.after_jump, load.bus_off, load.on_sleep, load.debounce) == (
        "accept", "ignore", "off", 0,
    )  # fmt: skip
    unset = (
        "confirm", "follow_again", "latency_off", "link", "level", "pwm", "ramp_up", "ramp_down",
        "longest_on", "shortest_off", "tries", "trip",
    )  # fmt: skip
    assert all(getattr(load, key) is None for key in unset)


def test_a_tripped_switch_is_tried_again_as_often_as_is_said():
    fields = {"node": "rear", "tries": {"most": 3, "pause": "500 ms"}}
    tries = LoadTable(**fields).tries
    assert tries is not None
    assert (tries.most, tries.pause, tries.then, tries.until) == (
        3, 500 * MS, "off", "request off",
    )  # fmt: skip
    fields["tries"] |= {"then": "on", "until": "ignition == off"}
    tries = LoadTable(**fields).tries
    assert tries is not None
    assert isinstance(tries.until, Condition)
    assert (tries.then, tries.until.names) == ("on", ("ignition",))


@pytest.mark.parametrize(
    "text, state", [("30 %", "on"), ("5.5 %", "on"), ("5 %", "off"), ("0 %", "off")]
)
def test_a_level_up_to_5_percent_is_off(text, state):
    level = LoadTable(node="rear", on_reset=text).on_reset
    assert isinstance(level, Level)
    assert level.state == state
    assert state_text(level) == text


def test_a_state_by_a_local_input_is_shown_as_it_is_written():
    load = LoadTable(node="rear", on_stale="ignition in [on, accessory]")
    assert load.on_stale is not None
    assert state_text(load.on_stale) == "ignition in [on, accessory]"
    assert state_text("hold") == "hold"


def test_a_request_is_a_signal_or_a_condition_over_signals(car):
    plain = car.load().loads["tail"]
    assert plain.request is not None
    assert (plain.request.text, plain.request.names) == ("LampRequest.Tail", ("LampRequest.Tail",))
    assert [plain.request({"LampRequest.Tail": value}) for value in (0.0, 1.0, 2.0)] == [
        False, True, True,
    ]  # fmt: skip
    text = "LampRequest.Tail == 0 and DashStatus.RearLost or LampRequest.Stop > 0"
    car.change('"LampRequest.Tail"\nstale', f'"{text}"\nstale')
    load = car.load().loads["tail"]
    assert load.request is not None
    assert load.request.text == text
    assert load.request.names == ("LampRequest.Tail", "DashStatus.RearLost", "LampRequest.Stop")
    assert load.request_messages == load.watched == ("LampRequest", "DashStatus")
    heard = car.load().reader(load.request)
    for lamps, lost, asked in ((0, 0, False), (0, 1, True), (1, 1, False), (3, 0, True)):
        assert heard({"LampRequest": bytes([lamps, 0]), "DashStatus": bytes([lost])}) is asked


def test_a_load_without_a_request_is_asked_for_by_no_message(car):
    stop = car.load().loads["stop"]
    assert stop.request is None
    assert stop.request_messages == stop.watched == stop.messages == ()


@pytest.mark.parametrize(
    "request_text, signal",
    [
        ("LampRequest.Tail", "LampRequest.Tail"),
        ("LampRequest.Tail == 1", "LampRequest.Tail"),
        ("LampRequest.Tail != 0", "LampRequest.Tail"),
        ("LampRequest.Tail == 0", None),
        ("LampRequest.Tail or LampRequest.Stop", None),
        ("LampRequest.Brightness > 0", "LampRequest.Brightness"),
        ("LampRequest.Brightness > 1", None),
        ("LampRequest.Brightness == 1", None),
    ],
)
def test_a_load_is_asked_for_by_one_signal_where_its_other_values_say_the_same(
    bright, request_text, signal
):
    bright.change('"LampRequest.Tail"\nstale', f'"{request_text}"\nstale')
    vehicle = bright.load()
    assert vehicle.asking_signal(vehicle.loads["tail"]) == signal


def test_node_and_starter_say_what_resets_them(car):
    assert not car.load().nodes["rear"].restart_on_bus_off
    assert car.load().nodes["rear"].drift == 0.0
    car.change('watchdog = "200 ms"', 'restart_on_bus_off = true\ndrift = "150 ppm"')
    assert car.load().nodes["rear"].restart_on_bus_off
    assert car.load().nodes["rear"].drift == 150.0


STATE = "got '{}'; expected one of: {}off, on, flash, or a level like '30 %'"
OVER_INPUTS = ", or a condition over the node's inputs like 'ignition == on'"
SHAPE = [
    (TAIL, 'on_reset = "onn"', "tail.on_reset", f"{STATE.format('onn', '')} (did you mean 'on'?)"),
    (TAIL, 'on_reset = "hold"', "tail.on_reset", STATE.format("hold", "")),
    (TAIL, 'on_reset = "brake == pressed"', "tail.on_reset", STATE.format("brake == pressed", "")),
    (TAIL, "on_reset = 30", "tail.on_reset", "got 30; expected one of: off, on, flash, or a level"),
    (TAIL, 'on_reset = "130 %"', "tail.on_reset", "got '130 %'; expected a share from 0 % to 100"),
    (TAIL, 'then = "hold"', "tail.then", STATE.format("hold", "") + OVER_INPUTS),
    (TAIL, 'then = "brake = pressed"', "tail.then", "cannot read the condition 'brake = pressed'"),
    (TAIL, "confirm = 0", "tail.confirm", "input should be greater than or equal to 1"),
    (TAIL, 'after_jump = "refuse"', "tail.after_jump",
     "got 'refuse'; expected 'accept', 'refuse one', 'lost' or 'either'"),
    (TAIL, 'bus_off = "los"', "tail.bus_off", "got 'los'; expected 'ignore' or 'lost'"),
    (TAIL, 'pwm = "200"', "tail.pwm", "'200' has no unit; expected a frequency with its unit (Hz"),
    (TAIL, 'pwm = "0 Hz"', "tail.pwm", "input should be greater than 0"),
    (TAIL, 'longest_on = "0 s"', "tail.longest_on", "input should be greater than 0"),
    (TAIL, 'shortest_off = "-1 s"', "tail.shortest_off", "'-1 s' is negative; a duration is zero"),
    (TAIL, 'on_sleep = "hold"', "tail.on_sleep", "got 'hold'; expected 'off', 'on' or 'flash'"),
    (TAIL, 'tries = { most = 0, pause = "1 s" }', "tail.tries.most", "input should be greater"),
    (TAIL, "tries = { most = 2 }", "tail.tries.pause", "this key is missing"),
    (TAIL, 'tries = { most = 2, pause = "1 s", until = "off" }', "tail.tries.until",
     "cannot read 'off' in the condition 'off'"),
    (TAIL, 'tries = { most = 2, pause = "1 s", then = "hold" }', "tail.tries.then",
     "got 'hold'; expected 'off' or 'on'"),
    (TAIL, 'trip = { when = "brake == pressed" }', "tail.trip.off_until", "this key is missing"),
]  # fmt: skip


@pytest.mark.parametrize("old, new, place, text", SHAPE, ids=[f"{s[2]}-{s[1]}" for s in SHAPE])
def test_a_value_that_does_not_fit_is_told_with_its_place(car, old, new, place, text):
    (problem,) = car.change(old, new).problems()
    assert f"loads.{place}: {text}" in problem


WITH = TAIL + "\n"
RELAY = 'electrical = { kind = "led", watts = "5 W", relay = {} }'
NO_REQUEST = "no message asks for this load; expected 'request' beside it"
DISAGREE = [
    (WITH + 'link = "DashStats"', "tail.link",
     ("unknown message 'DashStats'; expected one of: DashStatus, Foreign, LampRequest, RearStatus,"
      " Slow (did you mean 'DashStatus'?)")),
    (WITH + 'link = "RearStatus"', "tail.link",
     "node 'rear' sends 'RearStatus' itself; it never receives it"),
    (WITH + 'link = "Foreign"', "tail.link", "no node of the vehicle sends message 'Foreign'"),
    (WITH + 'link = "Slow"', "tail.link",
     "message 'Slow' has no cycle time in the DBC; expected 'cycle' in [messages.Slow]"),
    (WITH + 'after_jump = "lost"', "tail.after_jump",
     "message 'LampRequest' has no counter that could jump; expected 'accept'"),
    (WITH + 'level = "LampRequest.Brightnes"', "tail.level",
     ("unknown signal of message 'LampRequest' 'Brightnes'; expected one of: Brightness, Stop,"
      " Tail (did you mean 'Brightness'?)")),
    (WITH + 'level = "DashStatus.RearLost"', "tail.level",
     "'DashStatus' does not ask for this load; expected a signal of LampRequest"),
    ('on_reset = "30 %"', "tail.on_reset",
     "a load without 'level' is on or off; got '30 %', expected 'on' or 'off'"),
    (WITH + 'hold_for = "1 s"\nthen = "30 %"', "tail.then",
     "a load without 'level' is on or off; got '30 %', expected 'on' or 'off'"),
    (WITH + 'hold_for = "1 s"\nthen = "lights == off"', "tail.then",
     "input 'lights' is wired to dash, not to node 'rear'"),
    (WITH + 'trip = { when = "brkae == pressed", off_until = "speed > 5" }', "tail.trip.when",
     "unknown input 'brkae'; expected one of: brake, lights, speed (did you mean 'brake'?)"),
    (WITH + 'trip = { when = "brake == pressed", off_until = "speed > 5" }', "tail.trip.off_until",
     "input 'speed' is wired to dash, not to node 'rear'"),
    (WITH + 'trip = { when = "LampRequest.Stop == 1", off_until = "brake == released" }',
     "tail.trip.when", "'LampRequest.Stop' is a signal; expected inputs alone"),
    (WITH + 'tries = { most = 2, pause = "1 s", until = "brake == off" }', "tail.tries.until",
     "unknown position of 'brake' 'off'; expected one of: pressed, released"),
    (WITH + 'tries = { most = 2, pause = "1 s" }', "tail.tries",
     "only a switch that trips is tried again; expected 'electrical.solid_state'"),
    (WITH + 'debounce = "20 ms"', "tail.debounce",
     "it belongs to a local input, but 'local' is not declared"),
    (WITH + 'on_sleep = "flash"', "tail", "a state is 'flash', but the table 'flash' is missing"),
    (WITH + f'ramp_up = "1 s"\n{RELAY}', "tail.ramp_up",
     "a relay cannot dim; expected 'electrical.solid_state'"),
]  # fmt: skip


@pytest.mark.parametrize("new, place, text", DISAGREE, ids=[f"{d[1]}-{d[0]}" for d in DISAGREE])
def test_what_does_not_agree_is_told_with_its_place(bright, new, place, text):
    problems = bright.change(TAIL, new).problems()
    assert any(f": loads.{place}: {text}" in problem for problem in problems), problems


@pytest.mark.parametrize(
    "key",
    [
        "confirm = 2", 'follow_again = "1 s"', 'link = "DashStatus"', 'after_jump = "lost"',
        'bus_off = "lost"', 'level = "LampRequest.Tail"',
    ],
)  # fmt: skip
def test_a_key_about_a_request_needs_one(car, key):
    place = f"loads.stop.{key.split()[0]}"
    (problem,) = car.change(STOP, f"{STOP}\n{key}").problems()
    assert problem.partition(": ")[2] == f"{place}: {NO_REQUEST}"


def test_a_heartbeat_stands_in_for_the_silence_of_the_request(car):
    """The stale time is held against the heartbeat's period, not against that of the request."""
    car.change('stale_after = "250 ms"', 'stale_after = "150 ms"\nlink = "DashStatus"')
    (problem,) = car.problems()
    line = VEHICLE.splitlines().index('stale_after = "250 ms"') + 1
    assert problem == (
        f"{line}: loads.tail.stale_after: 150 ms is shorter than two periods of 'DashStatus'"
        " (200 ms): one late frame would trip it"
    )


def test_a_starter_may_reset_nodes_that_there_are(car):
    solenoid = 'electrical = { kind = "solenoid", amps = "3 A", solid_state = {} }'
    car.change(STOP, f"{STOP}\n{solenoid}")
    starter = '[supply.starter]\nswitched_by = "stop"\ncurrent = "130 A"\nstall = "420 A"\n'
    car.change("[loads.tail]", f'{starter}may_reset = ["raer"]\n\n[loads.tail]')
    (problem,) = car.problems()
    assert problem.endswith(
        "supply.starter.may_reset: unknown node 'raer'; expected one of: dash, rear"
        " (did you mean 'rear'?)"
    )
    car.change('"raer"', '"rear"')
    supply = car.load().supply
    assert supply is not None
    assert supply.starter is not None
    assert supply.starter.may_reset == ("rear",)
