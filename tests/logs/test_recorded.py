"""A run's JSON, read back: the same recording, the same verdicts, the same frames on a bus."""

from __future__ import annotations

import json

import pytest
from replay_lab import DRIVE, S, wren

from linkloss.campaign.run import judged_again, run
from linkloss.logs.drive import Drive, Selection
from linkloss.problem import BadInput
from linkloss.recording import read_recording
from linkloss.report.export import write_log
from linkloss.report.machine import run_json
from linkloss.scenario import load_scenario, timed_fault
from linkloss.session import simulate

SCENARIOS = sorted(
    path.stem for path in wren().path.parent.glob("*.toml") if path.stem != "vehicle"
)


@pytest.mark.parametrize("name", SCENARIOS)
def test_every_scenario_reads_back_whole_and_is_judged_the_same(tmp_path, name):
    result = run(load_scenario(wren().path.parent / f"{name}.toml"))
    path = tmp_path / "run.json"
    path.write_text(run_json(result))
    again = judged_again(path)
    assert again.recording == result.recording
    assert again.verdicts == result.verdicts
    assert again.expected == result.expected
    assert again.exit_code == result.exit_code


def test_a_replay_of_a_log_reads_back_with_what_was_played(tmp_path):
    fault = timed_fault("hang(dash)@3s+1s", wren())
    drive = Drive(DRIVE, wren(), Selection())
    result = run(drive.scenario(to_ns=5 * S, faults=[fault]))
    path = tmp_path / "run.json"
    path.write_text(run_json(result))
    again = judged_again(path)
    assert again.recording == result.recording
    assert again.recording.logged == ("dash",)
    assert again.verdicts == result.verdicts


@pytest.mark.parametrize(
    ("suffix", "resolution_ns"), [(".log", 1000), (".blf", 2), (".csv", 1000), (".db", 2)]
)
def test_a_frame_log_replays_to_the_same_frames(tmp_path, suffix, resolution_ns):
    """All nodes from the log: every frame comes again, in its order, at its time or, where the
    rounding of the log makes two frames touch, at the next moment at which the bus is free.
    """
    source = simulate(load_scenario(wren().path.parent / "frozen_request.toml"))
    path = tmp_path / f"frames{suffix}"
    write_log(source, "car", path)
    drive = Drive(path, wren(), Selection(nodes=tuple(wren().nodes)))
    again = simulate(drive.scenario())
    before = [record for record in source.frames if record.error is None]
    after = [record for record in again.frames if record.error is None]
    assert [(r.sender, r.frame) for r in after] == [(r.sender, r.frame) for r in before]
    offset_ns = after[0].end_ns - before[0].end_ns
    for one, other in zip(before, after, strict=True):
        assert abs(other.end_ns - one.end_ns - offset_ns) <= 3 * resolution_ns


def test_new_rules_can_be_tried_on_an_old_recording(tmp_path):
    result = run(load_scenario(wren().path.parent / "tail_cable_pulled.toml"))
    (tmp_path / "run.json").write_text(run_json(result))
    text = wren().path.read_text().replace("../../dbc/wren.dbc", "wren.dbc")
    (tmp_path / "wren.dbc").write_text((wren().path.parent / wren().file.dbc).read_text())
    stale = (
        'on_stale = "on"\non_reset = "on"\ndark_limit = "200 ms"\nback_within = "1 s"\n\n'
        "[loads.tail_left.electrical]"
    )
    assert text.count(stale) == 1
    (tmp_path / "vehicle.toml").write_text(
        text.replace(stale, stale.replace('stale = "on"', 'stale = "off"'))
    )
    again = judged_again(tmp_path / "run.json", tmp_path / "vehicle.toml")
    assert ("tail_left", "stale") in {(v.subject, v.rule) for v in again.broken}


@pytest.mark.parametrize(
    ("content", "text"),
    [
        ("", "this is no JSON"),
        ("[" * 100_000, "this is no JSON"),
        ("[]", "the recording is damaged: Input should be an object, got []"),
        ('{"format": "linkloss check"}', "this is no recording"),
        ('{"format": "linkloss run"}', "the recording has no 'vehicle'"),
    ],
)
def test_what_is_no_recording_is_told_in_one_line(tmp_path, content, text):
    path = tmp_path / "run.json"
    path.write_text(content)
    with pytest.raises(BadInput) as caught:
        read_recording(path)
    assert text in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("key", "value"),
    [("frames", [[1]]), ("frames", 3), ("inputs", {"x": [[None, 1]]}), ("nodes", []), ("seen", 1),
     ("faults", [{}]), ("handed", {"x": [[1, "zz", True]]}), ("crashes", [1])],
)  # fmt: skip
def test_a_damaged_recording_is_told_in_one_line(tmp_path, key, value):
    result = run(load_scenario(wren().path.parent / "frozen_request.toml"))
    document = json.loads(run_json(result))
    document[key] = value
    path = tmp_path / "run.json"
    path.write_text(json.dumps(document))
    with pytest.raises(BadInput, match=rf"run\.json: {key}\S*: the recording is damaged: "):
        read_recording(path)


def test_a_recording_of_another_vehicle_is_refused(tmp_path):
    result = run(load_scenario(wren().path.parent / "frozen_request.toml"))
    (tmp_path / "run.json").write_text(run_json(result))
    with pytest.raises(BadInput, match="the recording has other nodes than the vehicle"):
        judged_again(tmp_path / "run.json", "tests/report/tiny/vehicle.toml")
