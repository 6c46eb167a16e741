"""The cars that ``linkloss new --nodes`` writes keep every rule, and a mistake in one is found."""

from __future__ import annotations

import shutil
from importlib.util import find_spec
from pathlib import Path

import pytest

from linkloss.campaign.check import check
from linkloss.campaign.selection import CheckRequest
from linkloss.cli import main
from linkloss.problem import BadInput
from linkloss.vehicle.loading import load_vehicle

needs_compiler = pytest.mark.skipif(
    not (shutil.which("cc") and shutil.which("c++") and find_spec("cffi")),
    reason="needs a C and a C++ compiler (Debian: gcc, g++), and cffi",
)
needs_image = pytest.mark.skipif(
    not (shutil.which("avr-gcc") and Path("/usr/include/simavr/sim_avr.h").is_file()),
    reason="needs libsimavr-dev, gcc-avr, avr-libc and arduino-core-avr",
)
ALL_KINDS = [
    "dash,rear",
    pytest.param("dash=c,rear=c", marks=needs_compiler),
    pytest.param("dash=sketch,rear=sketch", marks=needs_compiler),
    "dash=script,rear=script",
    pytest.param("dash=image,rear=image", marks=[needs_compiler, needs_image, pytest.mark.slow]),
    pytest.param("dash,front=sketch,rear=c,tail=script,roof=python", marks=needs_compiler),
]
LONGEST = 150
"""Lines of a program, comments and blank ones included; it is shorter."""


def new(folder: Path, nodes: str) -> Path:
    assert main(["new", str(folder), "--nodes", nodes]) == 0
    return folder / "vehicle.toml"


def findings(path: Path, *kinds: str) -> set[tuple[str, str]]:
    """What is broken under some kinds of faults: subject and rule."""
    report = check(load_vehicle(path), only=kinds, situations=["night"], jobs=1)
    return {(each.verdict.subject, each.verdict.rule) for each in report.findings}


@pytest.mark.slow
def test_the_smallest_car_keeps_every_rule_in_a_quick_check(tmp_path):
    report = check(load_vehicle(new(tmp_path / "car", "dash,rear")), depth="quick", jobs=1)
    assert [finding.case.name for finding in report.findings] == []
    assert report.exit_code == 0
    assert report.unjudged == ()


@pytest.mark.slow
@pytest.mark.parametrize("nodes", ALL_KINDS)
def test_each_kind_of_program_keeps_every_rule_in_the_whole_check(tmp_path, nodes):
    report = check(load_vehicle(new(tmp_path / "car", nodes)))
    assert [finding.case.name for finding in report.findings] == []
    assert report.exit_code == 0
    assert report.unjudged == ()


@pytest.mark.parametrize("nodes", ALL_KINDS)
def test_each_kind_of_program_keeps_its_rules_in_some_cases(tmp_path, nodes):
    path = new(tmp_path / "car", nodes)
    assert findings(path, "delay") == set()
    assert main(["run", str(path.parent / "cable_pulled.toml")]) == 0


PLANTED = [
    ("python", "if now_ns - self.heard_ns >= LOST_AFTER_NS:", "if False:", "unplug", "stale"),
    ("python", "                self.board.recover_bus()\n", "", "bus_off", "rejoin"),
    ("c", "LOST_AFTER_MS = 250", "LOST_AFTER_MS = 9999999", "unplug", "stale"),
    ("c", "        board_can_recover();\n", "", "bus_off", "rejoin"),
    ("c", "    board_watchdog_start(WATCHDOG_MS);\n", "", "hang", "stopped"),
    ("sketch", "LOST_AFTER = 250", "LOST_AFTER = 60000", "unplug", "stale"),
    ("sketch", "    wdt_enable(WDTO_120MS);\n", "", "hang", "stopped"),
    ("script", "LOST_AFTER, MAX_STEP = 0.25", "LOST_AFTER, MAX_STEP = 999.0", "unplug", "stale"),
    ("script", "                board.recover_bus()\n", "", "bus_off", "rejoin"),
]


def later(planted):
    """Those that wait for a message that does not come take longer."""
    return pytest.param(*planted, marks=[pytest.mark.slow] if planted[4] == "stale" else [])


@pytest.mark.parametrize("kind, right, wrong, fault, rule", [later(planted) for planted in PLANTED])
def test_a_mistake_in_a_program_is_found(tmp_path, kind, right, wrong, fault, rule):
    if kind in ("c", "sketch") and needs_compiler.args[0]:
        pytest.skip(needs_compiler.kwargs["reason"])
    path = new(tmp_path / "car", f"dash,rear={kind}")
    (program,) = (file for file in path.parent.glob("rear.*") if file.suffix != ".h")
    text = program.read_text(encoding="utf-8")
    assert text.count(right) == 1
    program.write_text(text.replace(right, wrong), encoding="utf-8")
    assert any(each.startswith(rule) for _, each in findings(path, fault))


@needs_compiler
@needs_image
def test_an_image_keeps_its_rules_in_a_story(tmp_path):
    path = new(tmp_path / "car", "dash,rear=image")
    assert (path.parent / "Makefile").is_file()
    assert main(["run", str(path.parent / "cable_pulled.toml")]) == 0


@needs_compiler
def test_a_program_that_takes_repeated_requests_for_new_is_found_where_they_repeat(tmp_path):
    path = new(tmp_path / "car", "dash,rear=c")
    planned = CheckRequest(path, only=("freeze",)).cases(load_vehicle(path))
    seldom = next(case.name for case in planned if "gap=" in case.name)
    assert seldom.startswith(
        "starting/freeze(DriverRequest,gap=75 ms)@"
    )  # the fan is asked for off

    def broken():
        report = check(load_vehicle(path), case=seldom, jobs=1)
        return {(each.verdict.subject, each.verdict.rule) for each in report.findings}

    assert broken() == set()
    program = path.parent / "rear.c"
    text = program.read_text(encoding="utf-8")
    watched = "if (repeats || (counted && (step == 0 || step > MAX_STEP)))"
    assert text.count(watched) == 1
    never = "if (repeats && step > 0x0F)"
    program.write_text(text.replace(watched, never), encoding="utf-8")
    assert ("cooling_fan", "stale") in broken()


FOG_LOAD = """
[loads.fog_lamp]
node = "rear"
fuse = "5 A"
request = "DriverRequest.FogLamp"
stale_after = "250 ms"
on_stale = "off"
on_reset = "off"

[loads.fog_lamp.electrical]
kind = "filament"
watts = "21 W"
lead = { size = "0.75 mm²", length = "2 m" }
relay = {}

[requests."DriverRequest.FogLamp"]
follows = "fog_switch == on"

"""
FOG_SWITCH = """
[inputs.fog_switch]
wired_to = ["dash"]
positions = ["off", "on"]

"""
FOG_ACTIONS = """  { at = "2377 ms", set = { fog_switch = "on" } },
  { at = "2613 ms", set = { fog_switch = "off" } },
"""
FOG_LAMP = [
    ("car.dbc", " SG_ FrontLost :", ' SG_ FogLamp : 20|1@1+ (1,0) [0|1] "" rear\n'),
    ("dash.py", '    "Horn": (', '    "FogLamp": ("fog_switch", "on"),\n'),
    ("rear.c", "    {.pin = 5}, /* horn */\n", "    {.pin = 6}, /* fog_lamp */\n"),
    ("rear.c", "        asked.horn,\n", "        asked.fog_lamp,\n"),
    ("vehicle.toml", "horn = 5\n", "fog_lamp = 6\n"),
    ("vehicle.toml", "[inputs.horn_button]\n", FOG_SWITCH),
    ("vehicle.toml", "[loads.horn] ", FOG_LOAD),
    ("vehicle.toml", '  { at = "2719 ms", set = { brake', FOG_ACTIONS),
]
"""File, before what, and what one more load takes there, as nodes/README.md has it; the ninth place
is car.h, which is made.
"""


@needs_compiler
def test_one_more_load_touches_nine_places_and_is_then_judged(tmp_path):
    path = new(tmp_path / "car", "dash,front=sketch,rear=c")
    for name, where, added in FOG_LAMP:
        text = (path.parent / name).read_text(encoding="utf-8")
        assert text.count(where) == 1, where
        text = text.replace(where, added + where)
        (path.parent / name).write_text(text, encoding="utf-8")
    with pytest.raises(BadInput, match=r"car\.h"):
        load_vehicle(path)
    assert main(["pack", str(path)]) == 0
    report = check(load_vehicle(path), only=["none"], situations=["night"], jobs=1)
    assert report.findings == ()
    kept = {rule for (name, rule), (verdict, _) in report.tally.worst.items() if name == "fog_lamp"}
    assert kept >= {"fresh", "steady", "end to end"}


@pytest.mark.parametrize("nodes", ["dash,rear", "dash=c,rear=c", "d=sketch,r=sketch"])
def test_programs_are_short(tmp_path, nodes):
    folder = new(tmp_path / "car", nodes).parent
    for program in (*folder.glob("*.py"), *folder.glob("*.c"), *folder.glob("*.ino")):
        assert len(program.read_text(encoding="utf-8").splitlines()) < LONGEST, program


def test_every_load_is_somewhere_and_every_power_node_has_one(tmp_path):
    for number in range(1, 8):
        names = [f"node{place}" for place in range(number)]
        vehicle = load_vehicle(new(tmp_path / str(number), ",".join(["dash", *names])))
        assert len(vehicle.loads) == 7
        assert {load.node for load in vehicle.loads.values()} == set(names)


DEALT = [2, *(pytest.param(number, marks=pytest.mark.slow) for number in (3, 4, 5))]


@pytest.mark.parametrize("number", DEALT)
def test_however_the_loads_are_dealt_out_a_short_meets_its_neighbours(tmp_path, number):
    nodes = ",".join(["dash", *(f"node{place}" for place in range(number))])
    report = check(load_vehicle(new(tmp_path / "car", nodes)), only=["load_short"], jobs=1)
    assert report.findings == ()
    assert [rule for _, rule in report.not_exercised if rule == "neighbours"] == []


REFUSED = [
    ("dash", "got one node; expected a control node and 1 to 7 power nodes"),
    ("dash,a,b,c,d,e,f,g,h", "got 9 nodes; expected a control node and 1 to 7 power nodes"),
    ("dash,rear=skech", r"unknown kind of program 'skech'; .*\(did you mean 'sketch'\?\)"),
    ("dash,rear=", "unknown kind of program ''; expected one of: c, image, python, script, sketch"),
    ("dash,rear,rear=c", "got the node 'rear' twice; expected names that differ"),
    ("dash,a_b,ab", "got the node 'ab' beside 'a_b'; expected names that differ"),
    ("dash,2x", "'2x' is no name for a node; expected up to 20 small letters"),
    ("dash,r\u00e9ar", "is no name for a node"),
    (
        "dash,horn",
        "'horn' is the name of a load, a switch or a notice of the car; expected another",
    ),
    ("dash,heater=c", "'heater' is the name of a load, a switch or a notice"),
    ("dash,rear,rear_lost", "'rear_lost' is the name of a load, a switch or a notice"),
    ("dash,,rear", "'' is no name for a node"),
    ("dash,time=script", "'time' is the name of a Python module"),
]


@pytest.mark.parametrize("nodes, text", REFUSED)
def test_a_list_that_makes_no_car_is_refused_in_one_line(tmp_path, capsys, nodes, text):
    assert main(["new", str(tmp_path / "car"), "--nodes", nodes]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    with pytest.raises(AssertionError, match=text):
        raise AssertionError(told)
    assert not (tmp_path / "car").exists()


def test_nothing_is_lost_in_a_folder_that_is_in_use(tmp_path, capsys):
    (tmp_path / "rear.c").write_text("mine", encoding="utf-8")
    assert main(["new", str(tmp_path), "--nodes", "dash,rear=c"]) == 2
    assert "not empty" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["rear.c"]
    assert (tmp_path / "rear.c").read_text(encoding="utf-8") == "mine"


@needs_compiler
def test_a_header_that_the_dbc_does_not_give_is_refused_until_it_is_made_anew(tmp_path, capsys):
    path = new(tmp_path / "my car", "dash=c,rear=sketch")
    header, dbc = path.with_name("car.h"), path.with_name("car.dbc")
    load_vehicle(path)
    made, messages = header.read_bytes(), dbc.read_text(encoding="utf-8")

    dbc.write_text(messages.replace("TailLamp : 12|1@1+", "TailLamp : 30|1@1+"), encoding="utf-8")
    with pytest.raises(BadInput, match=r"car\.h: is not what car\.dbc gives now; .*pack '.*my car"):
        load_vehicle(path)
    assert main(["check", str(path)]) == 2
    assert main(["pack", str(path.parent)]) == 0
    load_vehicle(path)
    assert header.read_bytes() != made

    dbc.write_text(messages, encoding="utf-8")
    assert main(["pack", str(path)]) == 0
    assert header.read_bytes() == made  # the same from the same

    header.write_bytes(made.replace(b"(0xa0u)", b"(0xa1u)"))
    with pytest.raises(BadInput, match=r"car\.h: was changed by hand; expected what this writes"):
        load_vehicle(path)

    header.write_bytes(made)
    dbc.write_text(messages + '\nCM_ "a remark that no program sees";\n', encoding="utf-8")
    load_vehicle(path)


def test_pack_writes_over_nothing_that_it_did_not_make(tmp_path, capsys):
    path = new(tmp_path / "car", "dash,rear")
    header = path.with_name("car.h")
    header.write_text("/* mine */\n", encoding="utf-8")
    load_vehicle(path)  # no program in C, and no header of ours: nothing to compare
    assert main(["pack", str(path)]) == 2
    assert "does not write over it" in capsys.readouterr().err
    assert header.read_text(encoding="utf-8") == "/* mine */\n"
