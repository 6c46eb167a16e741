"""A vehicle file: what it may say, and how each mistake is told with its line."""

from __future__ import annotations

import pytest
from written_car import VEHICLE

from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.programs import pin_problems, wiring
from linkloss.vehicle.tables import NodeTable, VehicleFile

MS = 1_000_000
DURATION = "expected a duration with its unit (ns, us, ms, s, min, h, d), like '250 ms'"


def at(key: str) -> int:
    """The line of the text that begins so."""
    (number,) = [n for n, t in enumerate(VEHICLE.splitlines(), 1) if t.startswith(key)]
    return number


def after(header: str, key: str) -> int:
    """The line of a key behind a header."""
    lines = VEHICLE.splitlines()
    start = lines.index(header)
    return next(n for n in range(start + 1, len(lines) + 1) if lines[n - 1].startswith(key))


def test_the_written_car_has_no_mistakes(car):
    vehicle = car.load()
    assert car.problems() == []
    assert vehicle.title == "Written"
    assert vehicle.buses[0].bit_rate == 250_000
    assert list(vehicle.nodes) == ["dash", "rear"]
    assert vehicle.nodes["dash"].usual_boot_ns == 20 * MS
    assert vehicle.nodes["rear"].usual_boot_ns == 60 * MS
    assert vehicle.inputs["speed"].rest == 0.0
    assert vehicle.inputs["lights"].rest == "off"
    assert vehicle.situations["night"].actions[1].set == {"lights": "off", "speed": 0.0}
    assert vehicle.sender("LampRequest") == "dash"
    assert vehicle.signal("LampRequest.Stop")[1].name == "Stop"


SHAPE = [
    ("dbc =", 'titel = "x"\ndbc =', "titel", "unknown key 'titel'"),
    ('boot = "60 ms"\nwatchdog', "boot = 60\nwatchdog", "nodes.rear.boot", f"got 60; {DURATION}"),
    (
        'boot = "60 ms"\nwatchdog', 'boot = "0 ms"\nwatchdog', "nodes.rear.boot",
        "input should be greater than 0, got 0",
    ),
    ("250 kbit/s", "5 kbit/s", "bus.bit_rate", "'5 kbit/s' is out of range; classical CAN runs"),
    ('cable = ["dash", "rear"]', "cable = []", "bus.cable", "tuple should have at least 1 item"),
    ('wired_to = ["rear"]', "wired_to = []", "inputs.brake.wired_to", "tuple should have at least"),
    ('["released", "pressed"]', '["released"]', "inputs.brake.positions", "tuple should have at"),
    (
        '["released", "pressed"]', '["up", "up"]', "inputs.brake",
        "each position of a switch has a name of its own",
    ),
    ("[0, 200]", "[200, 0]", "inputs.speed", "the range of a sensor is its lower and its upper"),
    ("[0, 200]", "[nan, 200]", "inputs.speed", "the range of a sensor is its lower and its upper"),
    ("[0, 200]", "[0, inf]", "inputs.speed", "the range of a sensor is its lower and its upper"),
    (
        "range = [0, 200]", 'range = [0, 200]\npositions = ["a", "b"]', "inputs.speed",
        "expected either 'positions' (a switch) or 'range' (a sensor)",
    ),
    (
        'unit = "km/h"', 'unit = "km/h"\nopen_reads = true', "inputs.speed.open_reads",
        "got True; expected a position or a number",
    ),
    ('on_stale = "hold"', 'on_stale = "hodl"', "loads.tail.on_stale", "got 'hodl'; expected"),
    ('on_reset = "on"', "max_step = 0", "loads.tail.max_step", "input should be greater than or"),
    ('on_reset = "on"', "fuse = 7.5", "loads.tail.fuse", "got 7.5; expected a current"),
    ('local = "brake == pressed"', "local = 3", "loads.stop.local", "got 3; expected a condition"),
    ('"speed > 150"', '"speed >"', "loads.stop.never[1].when", "cannot read the condition"),
    ('"1 s" }', "1 }", "loads.stop.never[1].within", f"got 1; {DURATION}"),
    (
        'on_reset = "on"', "flash = { per_minute = [0, 60] }", "loads.tail.flash",
        "'per_minute' is the slowest and the fastest rate, more than zero",
    ),
    (
        'on_reset = "on"', "flash = { per_minute = [120, 60] }", "loads.tail.flash",
        "'per_minute' is the slowest and the fastest rate, more than zero",
    ),
    (
        'on_reset = "on"', "flash = { on_share = [0.5, 50] }", "loads.tail.flash",
        "'on_share' is the smallest and the largest share, between 0 and 1",
    ),
    (
        'lost = "rear"', 'lost = "rear"\nstuck = "brake"', "notices.rear_lost",
        "expected one of 'lost' (a node), 'stuck' (input), 'failed' (loads)",
    ),
    (
        'lost = "rear"', 'stuck = "brake"', "notices.rear_lost",
        "'stuck' and 'longest' go together",
    ),
    ('set = { lights = "dipped" }', "set = {}", "situations.night.actions[1].set", "dictionary"),
    ('lasts = "2 s"', "", "situations.night.lasts", "this key is missing"),
    ('dbc = "written.dbc"', "", "dbc", "this key is missing"),
]  # fmt: skip


@pytest.mark.parametrize("old, new, place, text", SHAPE, ids=[f"{s[2]}-{s[1][:20]}" for s in SHAPE])
def test_a_value_that_does_not_fit_is_told_with_its_place(car, old, new, place, text):
    (problem,) = car.change(old, new).problems()
    number, _, rest = problem.partition(": ") if problem[0].isdigit() else ("0", "", problem[1:])
    assert rest.startswith(f"{place}: {text}")
    if text != "this key is missing":
        changed = VEHICLE[: VEHICLE.index(old)].count("\n") + 1
        assert 0 <= changed + new.count("\n") - int(number) <= 4


def test_an_unknown_key_is_told_with_the_nearest_of_many(car):
    (problem,) = car.change("boots_in", "boot_in").problems()
    assert problem.startswith(
        f"{at('boots_in')}: nodes.dash.boot_in: unknown key 'boot_in' (did you mean 'boots_in'?);"
        " expected one of: "
    )
    assert problem.endswith(f" and {len(NodeTable.model_fields) - 12} more")


def test_the_keys_of_a_request_are_told_as_they_are_written(car):
    (problem,) = car.change("follows =", "folows =").problems()[:1]
    assert "only_while" not in problem
    problem = car.change("folows =", 'follows = "brake == pressed"\nwhil =').problems()[0]
    assert problem.endswith("(did you mean 'while'?)")


@pytest.mark.parametrize("name", ["float", "int", "str", "bool", "a[b]"])
def test_a_name_that_python_uses_too_is_told_in_full(car, name):
    quoted = f'"{name}"' if "[" in name else name
    (problem,) = car.change("[inputs.speed]", f'[inputs.{quoted}]\nsped = "x"').problems()
    assert f": inputs.{quoted}.sped: unknown key 'sped'" in problem


DISAGREE = [
    # cable and nodes
    ('["dash", "rear"]', '["dash", "rear", "raer"]', at("cable"), "bus.cable",
     "unknown node 'raer'; expected one of: dash, rear (did you mean 'rear'?)"),
    ('["dash", "rear"]', '["dash"]', at("cable"), "bus.cable",
     "node 'rear' stands 0 times in the cable; expected once"),
    ('["dash", "rear"]', '["dash", "rear", "dash"]', at("cable"), "bus.cable",
     "node 'dash' stands 2 times in the cable; expected once"),
    ('boots_in = "20 ms"', 'boots_in = "61 ms"', at("boots_in"), "nodes.dash.boots_in",
     "61 ms is longer than the longest boot, 60 ms"),
    ('status = "DashStatus"', 'status = "DashStats"', at('status = "Dash'), "nodes.dash.status",
     ("unknown message 'DashStats'; expected one of: DashStatus, Foreign, LampRequest, RearStatus,"
     " Slow (did you mean 'DashStatus'?)")),
    ('status = "DashStatus"', 'status = "RearStatus" ', at('status = "Dash'), "nodes.dash.status",
     "message 'RearStatus' is sent by rear, not by node 'dash'"),
    ('status = "DashStatus"', 'status = "Foreign"', at('status = "Dash'), "nodes.dash.status",
     "message 'Foreign' is sent by DASH, not by node 'dash'"),
    # inputs
    ('wired_to = ["rear"]', 'wired_to = ["rear", "raer"]', at('wired_to = ["rear'),
     "inputs.brake.wired_to", ("unknown node 'raer'; expected one of: dash, rear"
     " (did you mean 'rear'?)")),
    ('open_reads = "pressed"', 'open_reads = "presed"', at("open_reads"), "inputs.brake.open_reads",
     ("'brake' has no position 'presed'; expected one of: released, pressed"
     " (did you mean 'pressed'?)")),
    ('unit = "km/h"', "open_reads = 201", at("unit"), "inputs.speed.open_reads",
     "got '201'; expected a number from 0 to 200"),
    # loads
    ('node = "rear"\noutput', 'node = "raer"\noutput', after("[loads.stop]", "node"),
     "loads.stop.node", "unknown node 'raer'; expected one of: dash, rear (did you mean 'rear'?)"),
    ('request = "LampRequest.Tail"', 'request = "LampRequest"', at("request ="),
     "loads.tail.request", ("got 'LampRequest'; expected 'Message.Signal' or a condition over"
     " signals like 'Gear.Selected == 16'")),
    ('request = "LampRequest.Tail"', 'request = "LampRequest.Tail == 1 and lights == off"',
     at("request ="), "loads.tail.request", "got 'lights'; expected 'Message.Signal'"),
    ('request = "LampRequest.Tail"', 'request = "LampRequest.Tail == on"', at("request ="),
     "loads.tail.request", "'LampRequest.Tail' is a signal; 'on' is no number"),
    ('request = "LampRequest.Tail"', 'request = "LampRequest.Tail or LampRequest.Stpo"',
     at("request ="), "loads.tail.request", ("unknown signal of message 'LampRequest' 'Stpo';"
     " expected one of: Stop, Tail (did you mean 'Stop'?)")),
    ('request = "LampRequest.Tail"', 'request = "LampRequest.Tail and RearStatus.Alive == 1"',
     at("request ="), "loads.tail.request",
     "node 'rear' sends 'RearStatus' itself; it never receives it"),
    ('request = "LampRequest.Tail"', 'request = "LampRequest.Tail = 1.Stop"', at("request ="),
     "loads.tail.request", ("cannot read the condition 'LampRequest.Tail = 1.Stop': invalid decimal"
     " literal")),
    ('request = "LampRequest.Tail"', 'request = "LmpRequest.Tail"', at("request ="),
     "loads.tail.request", ("unknown message 'LmpRequest'; expected one of: DashStatus, Foreign,"
     " LampRequest, RearStatus, Slow (did you mean 'LampRequest'?)")),
    ('request = "LampRequest.Tail"', 'request = "LampRequest.Tial"', at("request ="),
     "loads.tail.request", ("unknown signal of message 'LampRequest' 'Tial'; expected one of: Stop,"
     " Tail (did you mean 'Tail'?)")),
    ('request = "LampRequest.Tail"', 'request = "Foreign.Anything"', at("request ="),
     "loads.tail.request", "no node of the vehicle sends message 'Foreign'"),
    ('request = "LampRequest.Tail"', 'request = "RearStatus.Alive"', at("request ="),
     "loads.tail.request", "node 'rear' sends 'RearStatus' itself; it never receives it"),
    ('request = "LampRequest.Tail"', 'request = "Slow.Never"', at("request ="),
     "loads.tail.request", ("message 'Slow' has no cycle time in the DBC; expected 'cycle' in"
     " [messages.Slow]")),
    ('stale_after = "250 ms"', 'stale_after = "99 ms"', at("stale_after"),
     "loads.tail.stale_after", ("99 ms is shorter than two periods of 'LampRequest' (100 ms): one"
     " late frame would trip it")),
    ('stale_after = "250 ms"', "", at("[loads.tail]"), "loads.tail",
     "the key 'stale_after' is missing: a requested load must say what it does"),
    ('on_stale = "hold"', "", at("[loads.tail]"), "loads.tail",
     "the key 'on_stale' is missing: a requested load must say what it does"),
    ('on_reset = "on"', "", at("[loads.tail]"), "loads.tail",
     "the key 'on_reset' is missing: a requested load must say what it does"),
    ('on_reset = "on"', 'on_reset = "on"\nhold_for = "1 s"', at("[loads.tail]"), "loads.tail",
     "'hold_for' and 'then' go together"),
    ('on_reset = "on"', 'on_reset = "on"\nthen = "off"', at("[loads.tail]"), "loads.tail",
     "'hold_for' and 'then' go together"),
    ('on_reset = "on"', 'on_reset = "on"\nhardware_default = "local"', at("on_reset") + 1,
     "loads.tail.hardware_default",
     "the hardware follows a local input, but 'local' is not declared"),
    ('on_reset = "on"', 'on_reset = "on"\nlatch = true', at("on_reset") + 1, "loads.tail.latch",
     "a load that latches waits in 'off': 'on_stale' and 'on_reset' must be off"),
    ('on_reset = "on"', 'on_reset = "flash"', at("[loads.tail]"), "loads.tail",
     "a state is 'flash', but the table 'flash' is missing"),
    ('on_reset = "on"', 'on_reset = "on"\nflash = { in_step_with = "stp" }', at("on_reset") + 1,
     "loads.tail.flash.in_step_with",
     "unknown load 'stp'; expected one of: stop, tail (did you mean 'stop'?)"),
    ('local = "brake == pressed"', 'local = "brake == pressed"\nlocal_use = "or"',
     at("local =") + 1, "loads.stop.local_use",
     "'or' joins a request and a local input; the request is missing"),
    ('output = "stop_lamp"', 'output = "tail"', at("output"), "loads.stop.output",
     "output 'tail' of node 'rear' already feeds 'tail'"),
    # conditions
    ('local = "brake == pressed"', 'local = "brkae == pressed"', at("local"), "loads.stop.local",
     "unknown input 'brkae'; expected one of: brake, lights, speed (did you mean 'brake'?)"),
    ('local = "brake == pressed"', 'local = "lights == off"', at("local"), "loads.stop.local",
     "input 'lights' is wired to dash, not to node 'rear'"),
    ('local = "brake == pressed"', 'local = "brake == presed"', at("local"), "loads.stop.local",
     ("unknown position of 'brake' 'presed'; expected one of: pressed, released"
     " (did you mean 'pressed'?)")),
    ('local = "brake == pressed"', 'local = "brake > released"', at("local"), "loads.stop.local",
     "'brake' is a switch with positions; it cannot be compared by size"),
    ('local = "brake == pressed"', 'local = "brake == 1"', at("local"), "loads.stop.local",
     "'brake' is a switch with positions; a position '1' stands in quotation marks"),
    ('local = "brake == pressed"', 'local = "LampRequest.Stop == 1"', at("local"),
     "loads.stop.local", "'LampRequest.Stop' is a signal; expected inputs alone"),
    ('"speed > 150"', '"speed == fast"', at("never"), "loads.stop.never[1].when",
     "'speed' is a sensor; 'fast' is no number"),
    ('"speed > 150"', '"RearStatus.Alife == 0"', at("never"), "loads.stop.never[1].when",
     ("unknown signal of message 'RearStatus' 'Alife'; expected one of: Alive (did you mean"
      " 'Alive'?)")),
    ('"speed > 150"', '"Foreign.Anything == 0"', at("never"), "loads.stop.never[1].when",
     "no node of the vehicle sends message 'Foreign'"),
    ('"speed > 150"', '"tial is off"', at("never"), "loads.stop.never[1].when",
     "unknown load 'tial'; expected one of: stop, tail (did you mean 'tail'?)"),
    ('"speed > 150"', '"stop is on"', at("never"), "loads.stop.never[1].when",
     "'stop' itself; expected another load"),
    ('"speed > 150"', '"tail is of"', at("never"), "loads.stop.never[1].when",
     ("got 'of' in the condition 'tail is of'; expected one of: on, off, flash (did you mean"
      " 'off'?)")),
    ('local = "brake == pressed"', 'local = "tail is on"', at("local"), "loads.stop.local",
     ("'tail is' in the condition 'tail is on' asks for the state of a load, as only a 'never' may;"
      " expected an input or a signal, like 'tail == ...'")),
    ('request = "LampRequest.Tail"', 'request = "LampRequest.Tail and stop is on"', at("request ="),
     "loads.tail.request",
     ("'stop is' in the condition 'LampRequest.Tail and stop is on' asks for the state of a load,"
      " as only a 'never' may; expected an input or a signal, like 'stop == ...'")),
    # requests
    ('[requests."LampRequest.Tail"]', '[requests."LampRequest.Tial"]', at("[requests"),
     'requests."LampRequest.Tial"', ("unknown signal of message 'LampRequest' 'Tial'; expected one"
     " of: Stop, Tail (did you mean 'Tail'?)")),
    ('[requests."LampRequest.Tail"]', '[requests."Foreign.Anything"]', at("[requests"),
     'requests."Foreign.Anything"', "no node of the vehicle sends message 'Foreign'"),
    ('"lights in [position, dipped]"', '"brake == pressed"', at("[requests"),
     'requests."LampRequest.Tail"', "input 'brake' is wired to rear, not to node 'dash'"),
    ('"lights in [position, dipped]"', '"RearStatus.Alive == 1"', at("[requests"),
     'requests."LampRequest.Tail"', ("decides by a received signal; expected 'received'"
     " (stale_after, when_stale)")),
    ('"lights in [position, dipped]"',
     '"Foreign.Anything == 1"\nreceived = { stale_after = "1 s" }', at("[requests"),
     'requests."LampRequest.Tail"', "no node of the vehicle sends message 'Foreign'"),
    ('"lights in [position, dipped]"',
     '"RearStatus.Alive == yes"\nreceived = { stale_after = "1 s" }', at("[requests"),
     'requests."LampRequest.Tail"', "'RearStatus.Alive' is a signal; 'yes' is no number"),
    # notices
    ('signal = "DashStatus.RearLost"', 'signal = "RearLost"', at("signal"),
     "notices.rear_lost.signal", "got 'RearLost'; expected 'Message.Signal'"),
    ('lost = "rear"', 'lost = "raer"', at("lost"), "notices.rear_lost.lost",
     "unknown node 'raer'; expected one of: dash, rear (did you mean 'rear'?)"),
    ('status = "RearStatus"', "", at("lost"), "notices.rear_lost.lost",
     "node 'rear' has no status message to be missed"),
    ('lost = "rear"', 'stuck = "brkae"\nlongest = "1 s"', at("lost"), "notices.rear_lost.stuck",
     "unknown input 'brkae'; expected one of: brake, lights, speed (did you mean 'brake'?)"),
    # situations
    ("inputs = { speed = 30 }", "inputs = { sped = 30 }", at("inputs ="),
     "situations.night.inputs.sped",
     "unknown input 'sped'; expected one of: brake, lights, speed (did you mean 'speed'?)"),
    ("inputs = { speed = 30 }", "inputs = { speed = 201 }", at("inputs ="),
     "situations.night.inputs.speed", "got '201'; expected a number from 0 to 200 km/h"),
    ("inputs = { speed = 30 }", "inputs = { speed = nan }", at("inputs ="),
     "situations.night.inputs.speed", "got 'nan'; expected a number from 0 to 200 km/h"),
    ("inputs = { speed = 30 }", 'inputs = { speed = "30" }', at("inputs ="),
     "situations.night.inputs.speed", "got '30'; expected a number from 0 to 200 km/h"),
    ('set = { lights = "dipped" }', 'set = { lights = "diped" }', at('set = { lights = "dip'),
     "situations.night.actions[1].set.lights", ("'lights' has no position 'diped'; expected one of:"
     " off, position, dipped (did you mean 'dipped'?)")),
    ('set = { lights = "dipped" }', "set = { lights = 1 }", at('set = { lights = "dip'),
     "situations.night.actions[1].set.lights",
     "'lights' has no position '1'; expected one of: off, position, dipped"),
    ('at = "200 ms"', 'at = "1001 ms"', at('at = "1 s"'), "situations.night.actions[2].at",
     "actions stand in order of time and within the situation"),
    ('at = "1 s"', 'at = "2001 ms"', at('at = "1 s"'), "situations.night.actions[2].at",
     "actions stand in order of time and within the situation"),
]  # fmt: skip


@pytest.mark.parametrize(
    "old, new, line, place, text", DISAGREE, ids=[f"{d[3]}-{d[1][:24]}" for d in DISAGREE]
)
def test_what_does_not_agree_is_told_with_line_place_and_words(car, old, new, line, place, text):
    assert f"{line}: {place}: {text}" in car.change(old, new).problems()


def test_a_mistake_alone_is_told_alone(car):
    assert len(car.change('stale_after = "250 ms"', 'stale_after = "99 ms"').problems()) == 1


def test_mistakes_of_several_tables_are_told_together_in_their_order(car):
    car.change('boots_in = "20 ms"', 'boots_in = "61 ms"')
    car.change('stale_after = "250 ms"', 'stale_after = "99 ms"')
    car.change("speed = 30", "speed = 201")
    places = [problem.split(": ")[1] for problem in car.problems()]
    assert places == [
        "nodes.dash.boots_in",
        "loads.tail.stale_after",
        "situations.night.inputs.speed",
    ]


@pytest.mark.parametrize(
    "old, new, place, what",
    [
        ("[loads.tail]", "[loads.rear]", "loads.rear", "node"),
        ("[notices.rear_lost]", "[notices.dash]", "notices.dash", "node"),
        ("[notices.rear_lost]", "[notices.tail]", "notices.tail", "load"),
        ("[inputs.speed]", "[inputs.dash]", "inputs.dash", "node"),
    ],
)
def test_a_name_stands_for_one_thing(car, old, new, place, what):
    """Two subjects of one name would share their rules' rows, and some would be gone."""
    name = place.partition(".")[2]
    text = f"{place}: a {what} has the name '{name}' already; expected a name of its own"
    assert any(text in problem for problem in car.change(old, new).problems())


def test_a_safety_relevant_load_needs_a_rule(car):
    car.change(
        'local = "brake == pressed"\n'
        'never = [{ state = "on", when = "speed > 150", within = "1 s" }]',
        "",
    )
    assert car.problems() == [
        (
            f"{at('[loads.stop]')}: loads.stop: a safety-relevant load with no declared rule;"
            " expected 'request' or 'local' and what it does when nobody asks, or 'safety = false'"
        )
    ]
    assert car.change('output = "stop_lamp"', "safety = false").problems() == []


def test_a_request_may_decide_by_a_received_signal(car):
    car.change(
        '"lights in [position, dipped]"',
        '"RearStatus.Alive == 1"\nreceived = { stale_after = "1 s" }',
    )
    assert car.problems() == []


def test_defaults_are_spread_under_every_load_that_does_not_say_otherwise(car):
    car.change("[loads.tail]", '[defaults]\nlatency = "35 ms"\non_stale = "off"\n\n[loads.tail]')
    loads = car.load().loads
    assert loads["tail"].latency == loads["stop"].latency == 35 * MS
    assert (loads["tail"].on_stale, loads["stop"].on_stale) == ("hold", "off")


def test_an_unknown_default_is_told_with_the_nearest_key(car):
    car.change("[loads.tail]", '[defaults]\nlatensy = "35 ms"\n\n[loads.tail]')
    (problem,) = car.problems()
    assert problem.startswith(
        f"{at('[loads.tail]') + 1}: defaults.latensy: unknown key 'latensy'"
        " (did you mean 'latency'?);"
    )


def test_a_default_that_does_not_fit_is_pointed_at_where_it_stands(car):
    car.change("[loads.tail]", "[defaults]\nlatency = 35\n\n[loads.tail]")
    assert car.problems() == [f"{at('[loads.tail]') + 1}: defaults.latency: got 35; {DURATION}"]


def test_a_bus_may_have_a_name(car):
    plain = car.load().file
    named = car.change("[bus]", "[bus.body]").load().file
    assert list(named.bus) == ["body"]
    assert list(named.bus.values()) == list(plain.bus.values())


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ('"250 kbit/s"', '"250"', "bus.body.bit_rate: "),
        ("bit_rate =", "bit_rat = 3\nbit_rate =", "bus.body.bit_rat: unknown key 'bit_rat'"),
        ('cable = ["dash", "rear"]', 'cable = ["dash", "raer"]', "bus.body.cable"),
    ],
)
def test_a_mistake_in_a_named_bus_is_told_where_it_stands(car, old, new, where):
    problem = car.change("[bus]", "[bus.body]").change(old, new).problems()[0]
    line, _, text = problem.partition(": ")
    assert text.startswith(where), problem
    assert int(line) in (at("[bus]"), at("bit_rate"), at("cable ="))


@pytest.mark.parametrize("table", ["defaults", "loads", "nodes", "bus"])
def test_a_table_that_is_a_number_is_refused(car, table):
    text = VEHICLE.replace('title = "Written"', f'title = "Written"\n{table} = 3')
    lines = [
        line for line in text.splitlines() if not line.startswith((f"[{table}.", f"[{table}]"))
    ]
    car.write("vehicle.toml", "\n".join(lines))
    assert car.problems()


def test_the_early_limit_is_the_larger_of_2_ms_and_2_percent():
    fields = {"node": "rear", "stale_after": "50 ms"}
    assert LoadTable(**fields).early_ns == 2 * MS
    assert LoadTable(**{**fields, "stale_after": "500 ms"}).early_ns == 10 * MS
    assert LoadTable(**fields, early="7 ms").early_ns == 7 * MS


def test_every_key_of_a_vehicle_file_is_described():
    described = {"title", "about", "bus", "nodes", "inputs", "loads", "requests", "notices"}
    for name, field in VehicleFile.model_fields.items():
        assert field.description or name in described | {"situations"}


def _file_with_pins(wired_to):
    """Two nodes, an input ``beam`` of the dash, a program in C at the front."""
    node = {"boot": "60 ms", "c": ["front.c"]}
    return VehicleFile.model_validate(
        {
            "title": "pins",
            "dbc": "none",
            "bus": {"bit_rate": "250 kbit/s", "cable": ["dash", "front"]},
            "nodes": {
                "dash": {"boot": "60 ms", "python": "none:None"},
                "front": {**node, "pins": {"beam": 3}},
            },
            "inputs": {"beam": {"wired_to": wired_to, "positions": ["off", "on"]}},
            "loads": {"beam": {"node": "front", "hardware_default": "off"}},
        }
    )


def test_a_pin_is_looked_up_among_what_its_node_has():
    """The dash's switch is called like a load of the front: the front's pin drives the load."""
    file = _file_with_pins(wired_to=["dash"])
    assert list(pin_problems("front", file)) == []
    found = wiring("front", file)
    assert [pin.output for pin in found.outputs] == ["beam"]
    assert found.inputs == ()


def test_a_pin_that_may_be_either_is_a_mistake():
    text = "node 'front' has both an input and an output 'beam'; expected two names:"
    found = list(pin_problems("front", _file_with_pins(wired_to=["dash", "front"])))
    assert found == [(("pins", "beam"), f"{text} set 'output' of load 'beam'")]
