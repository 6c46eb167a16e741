"""Nodes without a program: in a log, and absent without one; with a table of their own or none."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from replay_lab import CAR, S, car_log, logged_car

from linkloss.campaign.cases import without_fault
from linkloss.campaign.check import check
from linkloss.campaign.run import run
from linkloss.cli import main
from linkloss.judge import Outcome
from linkloss.logs.drive import Drive, Selection
from linkloss.problem import BadInput
from linkloss.scenario import timed_fault
from linkloss.vehicle.loading import Vehicle, load_vehicle


@pytest.fixture(scope="module")
def log(tmp_path_factory) -> Path:
    return car_log(tmp_path_factory.mktemp("nodes") / "drive.log")


@cache
def with_dome() -> Vehicle:
    """The same car, with a lamp that needs no message."""
    return load_vehicle(CAR / "dome.toml")


def outcomes(vehicle: Vehicle, log: Path, *faults: str) -> dict[tuple[str, str], Outcome]:
    timed = [timed_fault(text, vehicle) for text in faults]
    result = run(Drive(log, vehicle, Selection()).scenario(faults=timed))
    return {(v.subject, v.rule): v.outcome for v in result.verdicts}


@pytest.mark.parametrize("name", ["vehicle", "unlisted"])
def test_a_lamp_of_ones_own_follows_the_logged_pedal(log, name):
    vehicle = logged_car(name)
    found = outcomes(vehicle, log, "unplug(body)@4s+1s")
    assert found["brake_lamp", "fresh"] is Outcome.KEPT
    assert found["brake_lamp", "steady"] is Outcome.KEPT
    assert found["brake_lamp", "rejoin"] is Outcome.KEPT
    assert {subject for subject, _ in found} == {"brake_lamp", "body", "BodyStatus"}


@pytest.mark.parametrize("name", ["vehicle", "unlisted"])
def test_a_lamp_that_does_not_notice_the_loss_is_found_out(tmp_path, log, name):
    """The right node goes on when the pedals are unplugged, the deaf one stays as it was."""
    for part in ("car.dbc", "body.py"):
        (tmp_path / part).write_text((CAR / part).read_text())
    text = (CAR / f"{name}.toml").read_text()
    (tmp_path / "v.toml").write_text(text.replace("body.py:Body", "body.py:Deaf"))
    fault = "unplug(pedals)@1s+1s"
    assert outcomes(logged_car(name), log, fault)["brake_lamp", "stale"] is Outcome.KEPT
    deaf = load_vehicle(tmp_path / "v.toml")
    assert outcomes(deaf, log, fault)["brake_lamp", "stale"] is Outcome.BROKEN


def test_a_sender_without_a_table_is_a_node_at_the_end_of_the_cable():
    vehicle = logged_car("unlisted")
    assert vehicle.along == ("body", "pedals")
    assert vehicle.logged == ("pedals",)
    assert "engine" not in vehicle.nodes  # nothing of the body depends on it
    assert set(vehicle.programs) == {"body"}


def changed(tmp_path: Path, *pairs: tuple[str, str], name: str = "unlisted") -> Vehicle:
    for part in ("car.dbc", "body.py"):
        (tmp_path / part).write_text((CAR / part).read_text())
    text = (CAR / f"{name}.toml").read_text()
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "v.toml").write_text(text)
    return load_vehicle(tmp_path / "v.toml")


def test_the_file_may_say_where_on_the_cable_it_is(tmp_path):
    vehicle = changed(tmp_path, ('cable = ["body"]', 'cable = ["engine", "body", "pedals"]'))
    assert vehicle.along == ("engine", "body", "pedals")
    assert vehicle.logged == ("engine", "pedals")


def test_a_message_of_nobody_comes_from_the_log_too(tmp_path):
    vehicle = changed(tmp_path, ('request = "Pedals.Brake"', 'request = "Doors.Open"'))
    assert vehicle.messages["Doors"].senders == ("log",)
    assert vehicle.logged == ("log", "pedals")


@pytest.mark.parametrize(
    ("pairs", "text"),
    [
        (
            [("[nodes.body]", "[nodes.Pedals]\nlogged = true\n[nodes.body]")],
            "node 'Pedals' stands 0 times in the cable",
        ),
        (
            [('python = "body.py:Body"', 'python = "body.py:Body"\nlogged = true')],
            "nodes.body: a node with 'logged = true' has no program; expected one of the two",
        ),
        (
            [('python = "body.py:Body"\n', "")],
            "expected one program: 'python', 'script', 'c' or 'image'; or 'logged = true' for",
        ),
        ([('boot = "60 ms"\n', "")], "nodes.body.boot: this key is missing"),
        ([('cable = ["body"]', 'cable = ["body", "motor"]')], "unknown node 'motor'"),
    ],
)
def test_a_mistake_is_told(tmp_path, pairs, text):
    with pytest.raises(BadInput) as caught:
        changed(tmp_path, *pairs)
    assert text in str(caught.value)


def test_without_a_log_the_rules_that_need_it_are_not_exercised():
    """A run, with all that a run without messages could be taken for: resets, lost links."""
    vehicle = with_dome()
    [case] = without_fault(vehicle, 0)
    faults = [timed_fault(t, vehicle) for t in ("reset(body)@1s", "unplug(body)@1.5s+500ms")]
    result = run(replace(case, faults=tuple(faults), lasts_ns=4 * S))
    found = {(v.subject, v.rule): v.outcome for v in result.verdicts}
    rules = ("fresh", "stale", "steady", "reset", "rejoin")
    assert {found["brake_lamp", rule] for rule in rules} == {Outcome.NOT_EXERCISED}
    assert found["dome", "local"] is Outcome.KEPT
    assert [c.state for c in result.recording.nodes["pedals"]] == ["off"]
    senders = {record.sender for record in result.recording.frames}
    assert senders == {"body"}


def test_a_check_without_a_log_says_what_is_missing_and_tries_what_is_there():
    vehicle = with_dome()
    report = check(vehicle, jobs=1, depth="quick", only=["none", "reset", "unplug"])
    assert ("dome", "local") not in report.not_exercised
    lamp = {rule for subject, rule in report.not_exercised if subject == "brake_lamp"}
    assert {"fresh", "stale", "steady", "reset", "rejoin"} <= lamp
    assert "end to end" not in {rule for _, rule in report.declared}
    assert not any("engine" in case.name.split("/clocks")[0] for case in report.cases)
    assert report.space is not None
    told = " ".join(report.space.sentences())
    assert "Absent, because they come from a log: engine, pedals, and so EngineData, Pedals" in told
    assert report.exit_code == 3


@pytest.mark.parametrize("name", ["vehicle", "unlisted"])
def test_a_check_that_could_exercise_nothing_asks_for_the_log(capsys, name):
    assert main(["check", str(CAR / f"{name}.toml")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "nothing can be put to the test without them; expected '--drive LOG'" in err


@pytest.mark.parametrize("name", ["vehicle", "unlisted", "bare"])
def test_with_a_log_it_comes_to_a_verdict(log, name):
    vehicle = logged_car(name)
    kinds = ["none", "reset", "cut", "unplug"]
    report = check(vehicle, drive=log, jobs=1, depth="quick", only=kinds)
    assert not report.findings
    lamp = {rule for subject, rule in report.not_exercised if subject == "brake_lamp"}
    assert lamp <= {"stopped"}
    assert ("brake_lamp", "stale") in report.declared
    assert {case.fault for case in report.cases} == set(kinds)
    assert any("unplug(pedals)" in case.name for case in report.cases)


@pytest.mark.parametrize("name", ["unlisted", "bare"])
def test_a_wrong_node_is_found_with_a_log(tmp_path, log, name):
    """Nobody said what the driver does: faults come where the log asks for the lamp."""
    deaf = changed(tmp_path, ("body.py:Body", "body.py:Deaf"), name=name)
    report = check(deaf, drive=log, jobs=1, depth="quick", only=["none", "unplug"])
    assert {(f.verdict.subject, f.verdict.rule) for f in report.findings} == {
        ("brake_lamp", "stale")
    }
    assert any(case.name.startswith("at_3.0s_brake") for case in report.cases)


def test_a_replay_lists_what_was_not_exercised(capsys, log):
    words = ["replay", str(log), "--vehicle", str(CAR / "vehicle.toml"), "--to", "2s"]
    main(words)
    out = capsys.readouterr().out
    assert "Not exercised in this run:" in out
    assert "brake_lamp: fresh" in out
    main([*words, "--quiet"])
    assert "Not exercised in this run:" not in capsys.readouterr().out


def test_a_run_says_who_is_absent(capsys, tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(
        f'title = "t"\nvehicle = "{CAR / "dome.toml"}"\nsituation = "braking"\nlasts = "2 s"\n'
        '[[steps]]\nat = "500 ms"\nfault = "reset"\nnode = "engine"\n'
    )
    main(["run", str(path)])
    out = " ".join(capsys.readouterr().out.split())
    assert "Absent, because they come from a log: engine, pedals, and so EngineData, Pedals" in out
    assert "nodes engine, pedals: off (no log)" in out


def test_a_node_without_a_program_cannot_be_taken_out_of_the_log(capsys, log):
    words = ["replay", str(log), "--vehicle", str(CAR / "vehicle.toml"), "--except", "pedals"]
    assert main(words) == 2
    assert "--except: 'pedals' has no program" in capsys.readouterr().err


def test_whatever_is_played_those_without_a_program_are(log):
    drive = Drive(log, logged_car(), Selection(nodes=("engine",)))
    assert drive.nodes == ("engine", "pedals")
