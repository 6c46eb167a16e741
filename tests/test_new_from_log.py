"""``linkloss new --dbc --log --node``: a node beside a logged car, from the files alone."""

from __future__ import annotations

import re
from pathlib import Path

import can
import pytest

from linkloss.campaign.check import check
from linkloss.cli import main
from linkloss.judge import Outcome
from linkloss.report.words import outcome_line
from linkloss.vehicle.loading import load_vehicle
from linkloss.vehicle.toml import marked_keys

ROOT = Path(__file__).parents[1]
REAL = ROOT.parent / "shared" / "data" / "rav4"
DBC = """VERSION ""

NS_ :

BS_:

BU_: pedals engine body

BO_ 272 Pedals: 2 pedals
 SG_ BrakePressed : 0|1@1+ (1,0) [0|1] "" body
 SG_ AliveBit : 1|1@1+ (1,0) [0|1] "" body
 SG_ Travel : 8|8@1+ (1,0) [0|255] "" body

BO_ 288 Engine: 2 engine
 SG_ Running : 0|1@1+ (1,0) [0|1] "" pedals
 SG_ Speed : 8|8@1+ (40,0) [0|8000] "rpm" pedals
"""


@pytest.fixture
def car(tmp_path, monkeypatch):
    """A message definition without cycle times, and four seconds of a log."""
    monkeypatch.chdir(tmp_path)
    Path("car.dbc").write_text(DBC)
    with can.Logger("drive.log") as log:
        for step in range(200):
            pressed = 1.0 <= step / 50 < 2.5
            sent = [(272, [pressed | (step % 2) << 1, step % 100])]
            sent += [(288, [1, 20])] if step % 5 == 0 else []
            for place, (identifier, data) in enumerate(sent):
                log.on_message_received(
                    can.Message(
                        timestamp=1_700_000_000 + step / 50 + place / 1000,
                        arbitration_id=identifier,
                        data=data,
                        is_extended_id=False,
                    )
                )
    return tmp_path


def new(*more, folder="my_car"):
    return main(["new", folder, "--dbc", "car.dbc", "--log", "drive.log", *more])


def test_what_the_files_do_not_say_is_measured_and_marked(car, capsys):
    assert new("--node", "body") == 0
    told = capsys.readouterr().out
    assert "linkloss check my_car/vehicle.toml --drive drive.log" in told
    text = Path("my_car/vehicle.toml").read_text(encoding="utf-8")
    made = load_vehicle("my_car/vehicle.toml")
    assert made.loads["brake_lamp"].request.text == "Pedals.BrakePressed"
    assert made.messages["Pedals"].period_ns == 20_000_000
    assert made.loads["brake_lamp"].stale_after == 100_000_000
    assert set(made.nodes) == {"pedals", "engine", "body"}
    marked = set(marked_keys(text, "guessed"))
    assert {"bus.bit_rate", "messages.Pedals.cycle", "loads.brake_lamp.request"} <= marked
    assert "Pedals.AliveBit" not in text, "it changes with every frame"
    assert "Engine.Running: 0 changes, every 100 ms" in text


@pytest.mark.parametrize("depth", ["quick", pytest.param("full", marks=pytest.mark.slow)])
def test_it_passes_its_check_and_nothing_is_unjudged(car, depth):
    new("--node", "body")
    report = check(load_vehicle("my_car/vehicle.toml"), drive=Path("drive.log"), depth=depth)
    assert outcome_line(report).startswith("Every declared rule was exercised and kept")
    assert report.unjudged == ()
    assert report.exit_code == 0


def test_without_its_time_out_it_is_broken(car):
    new("--node", "body")
    program = Path("my_car/body.py")
    text = program.read_text(encoding="utf-8")
    assert len(text.splitlines()) < 150
    without = re.sub(r"LOST_AFTER_NS = \d+", "LOST_AFTER_NS = 999_999", text)
    assert without != text
    program.write_text(without, encoding="utf-8")
    vehicle = load_vehicle("my_car/vehicle.toml")
    report = check(vehicle, drive=Path("drive.log"), depth="quick", only=["cut", "mute"])
    assert ("brake_lamp", "stale") in {(f.verdict.subject, f.verdict.rule) for f in report.findings}


def test_what_must_not_be_0_is_sent_with_a_value_that_may_be(car):
    own = """
BO_ 512 Gearbox: 2 body
 SG_ Gear : 0|4@1+ (1,0) [1|6] "" engine
 SG_ Slope : 8|8@1- (1,0) [-20|-5] "" engine
"""
    Path("car.dbc").write_text(DBC + own)
    new("--node", "body")
    report = check(load_vehicle("my_car/vehicle.toml"), drive=Path("drive.log"), only=["cut"])
    assert [finding.verdict.text for finding in report.findings] == []
    assert report.tally.worst["Gearbox", "cycle"][0].outcome is Outcome.KEPT


def test_without_both_of_its_ways_back_from_bus_off_it_is_broken(car):
    new("--node", "body")
    program = Path("my_car/body.py")
    text = program.read_text(encoding="utf-8")
    start = "        self.sender.start()\n"
    deaf = text.replace(start, f"{start}        self.sender._plan_recovery = lambda now_ns: None\n")
    deaf = deaf.replace("            self.board.recover_bus()\n", "            pass\n")
    assert "_plan_recovery" in deaf
    assert "recover_bus" not in deaf
    program.write_text(deaf, encoding="utf-8")
    vehicle = load_vehicle("my_car/vehicle.toml")
    report = check(vehicle, drive=Path("drive.log"), depth="quick", only=["bus_off"])
    assert ("body", "rejoin") in {(f.verdict.subject, f.verdict.rule) for f in report.findings}


def test_the_signal_that_it_follows_can_be_named(car, capsys):
    assert new("--node", "body", "--request", "Pedals.BrakePressed") == 0
    text = Path("my_car/vehicle.toml").read_text(encoding="utf-8")
    assert load_vehicle("my_car/vehicle.toml").loads["brake_lamp"].request.text == (
        "Pedals.BrakePressed"
    )
    assert "loads.brake_lamp.request" not in marked_keys(text, "guessed"), "it was given"
    capsys.readouterr()
    assert new("--node", "body", "--request", "Engine.Runing", folder="other") == 2
    assert "(did you mean 'Engine.Running'?)" in capsys.readouterr().err
    assert not Path("other").exists()


def test_a_signal_that_never_changes_is_refused_with_those_that_do(car, capsys):
    assert new("--node", "body", "--request", "Engine.Running") == 2
    told = capsys.readouterr().err
    assert "--request: Engine.Running never changes in drive.log: nothing would be asked" in told
    assert "a signal that changes, such as Pedals.BrakePressed (2 changes)" in told
    assert not Path("my_car").exists()


def test_the_time_out_of_the_program_and_the_file_name_each_other(car):
    new("--node", "body")
    program = Path("my_car/body.py").read_text(encoding="utf-8")
    assert "LOST_AFTER_NS is stale_after in vehicle.toml: change both" in program
    assert "LOST_AFTER_NS = 100 * MS" in program
    vehicle = Path("my_car/vehicle.toml").read_text(encoding="utf-8")
    assert 'stale_after = "100 ms"' in vehicle
    assert "body.py has the same time as LOST_AFTER_NS: change both" in vehicle


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ([], "--node: a node beside a logged car takes '--dbc', '--log' and '--node'"),
        (["--node", "9"], "--node: '9' is no name for a node"),
        (["--node", "body", "--nodes", "a,b"], "--nodes: makes another car"),
    ],
)
def test_what_does_not_go_together_is_refused(car, capsys, more, told):
    assert new(*more) == 2
    assert told in capsys.readouterr().err
    assert not Path("my_car").exists()


def test_a_log_without_a_switch_is_refused(car, capsys):
    Path("car.dbc").write_text(DBC.replace("|1@1+", "|2@1+"))
    assert new("--node", "body") == 2
    assert "expected one that could ask for a lamp" in capsys.readouterr().err
    assert not Path("my_car").exists()


@pytest.mark.slow
def test_the_demo_cars_own_node_is_made_anew(tmp_path, monkeypatch):
    """It sends a message with a counter and a checksum, and follows one that has both."""
    monkeypatch.chdir(tmp_path)
    files = ["--dbc", ROOT / "dbc" / "wren.dbc", "--log", ROOT / "scenarios/wren/drive.log.gz"]
    assert main(["new", "my_car", *map(str, files), "--node", "rear"]) == 0
    report = check(load_vehicle("my_car/vehicle.toml"), drive=files[3], depth="quick")
    assert outcome_line(report).startswith("Every declared rule was exercised and kept")
    assert report.unjudged == ()


@pytest.mark.slow
@pytest.mark.skipif(not REAL.is_dir(), reason="the open log is not beside this checkout")
def test_a_brake_lamp_beside_a_real_car(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    log = REAL / "rav4_pt.log"
    files = ["--dbc", REAL / "toyota_new_mc_pt_generated.dbc", "--log", log, "--node", "body"]
    assert main(["new", "my_car", *map(str, files), "--request", "VSC1S07.BRKON"]) == 0
    report = check(load_vehicle("my_car/vehicle.toml"), drive=log, depth="quick")
    assert outcome_line(report).startswith("Every declared rule was exercised and kept")
    assert report.unjudged == ()
