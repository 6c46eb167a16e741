"""A live session is a scenario: what is saved of it runs on virtual time to the same bytes."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from live_lab import MS, TAIL_STORY, WREN, act, apply, clear, fault, nothing, play

from linkloss.campaign.run import run
from linkloss.faults.catalogue import make_fault
from linkloss.judge import Outcome
from linkloss.live import room as room_module
from linkloss.live.driven import LiveSession
from linkloss.live.room import Room
from linkloss.live.service import save
from linkloss.problem import BadInput
from linkloss.report.machine import run_json
from linkloss.scenario import load_scenario
from linkloss.vehicle.loading import load_vehicle

ROOT = Path(__file__).parents[2]
LUCK = [
    (300, act(ignition="on", lights="dipped")),
    (700, apply("drop", message="LampRequest", receiver="rear")),
    (900, apply("bounce", input="indicator")),
    (1000, act(indicator="left")),
    (1300, apply("corrupt", message="LampRequest")),
    (1301, apply("flood", node="rear", identifier=0)),
    (1900, lambda live: live.clear_all()),
    (2500, apply("bus_off", node="front")),
    (2700, apply("hang", node="engine")),
    (3500, act(engine_speed=812.5)),
    (4000, nothing),
]
PAUSES = [
    (200, act(ignition="on")),
    (400, lambda live: live.pacer.pause()),
    (500, act(lights="position", hazard="on")),
    (501, apply("unplug", node="rear")),
    (502, lambda live: live.step("frame")),
    (503, act(hazard="off")),
    (504, lambda live: live.step("change")),
    (505, lambda live: live.step("event")),
    (900, lambda live: live.pacer.set_speed(10)),
    (901, lambda live: live.pacer.resume()),
    (1200, clear("unplug", node="rear")),
    (1300, lambda live: live.pacer.set_speed(0.1)),
    (1900, nothing),
]


@pytest.mark.parametrize("story", [TAIL_STORY, LUCK, PAUSES], ids=["tail", "luck", "pauses"])
def test_what_is_saved_runs_again_to_the_same_bytes_and_the_same_verdicts(story, tmp_path):
    _, excerpt = play(story, seed=5)
    path = save(excerpt.scenario, tmp_path, "driven")
    again = run(load_scenario(path))
    assert again.recording == excerpt.recording
    live = excerpt.judged()
    assert again.verdicts == live.verdicts
    assert {verdict.outcome for verdict in live.verdicts} >= {Outcome.KEPT}
    as_saved = replace(live, scenario=again.scenario)
    assert run_json(again) == run_json(as_saved)


def test_a_program_in_c_does_the_same_again_too(tmp_path):
    """It runs ahead of the clock, up to the next instant at which something may come from outside:
    live that is soon, on virtual time late.
    """
    pytest.importorskip("cffi", reason="needs the extra 'firmware'")
    if shutil.which("cc") is None:
        pytest.skip("needs a C compiler")
    for path in (ROOT / "bench" / "linkloss" / "start" / "one_lamp").iterdir():
        if path.is_file():
            shutil.copy(path, tmp_path)
    car = load_vehicle(tmp_path / "vehicle.toml")
    unplugged = make_fault("unplug", {"node": "rear"}, car)
    hung = make_fault("hang", {"node": "rear"}, car)
    story = [
        (300, act(lights="on")),
        (900, lambda live: live.apply(unplugged)),
        (1300, lambda live: live.pacer.pause()),
        (1310, act(lights="off")),
        (1320, lambda live: live.step("event")),
        (1330, lambda live: live.pacer.resume()),
        (1800, lambda live: live.clear(unplugged)),
        (2300, lambda live: live.apply(hung)),
        (2900, lambda live: live.clear(hung)),
        (3200, nothing),
    ]
    _, excerpt = play(story, car)
    again = run(load_scenario(save(excerpt.scenario, tmp_path, "driven")))
    assert again.recording == excerpt.recording
    assert len(excerpt.recording.frames) > 100


def test_the_tail_lamp_stays_lit_and_the_loss_is_noticed():
    _, excerpt = play(TAIL_STORY)
    recording = excerpt.recording
    cut_ns = recording.faults[0].applied_ns
    assert recording.outputs["tail_left"].at(cut_ns + 1000 * MS) == 1.0
    _, signal = WREN.signal("DashNotices.RearLost")
    told = [entry.at_ns for entry in recording.handed["DashNotices"] if signal.raw(entry.data)]
    assert cut_ns < told[0] < cut_ns + 800 * MS
    assert not [verdict for verdict in excerpt.judged().verdicts if verdict.broken]


def test_a_stimulus_is_recorded_at_its_virtual_instant():
    stamps = []
    _, excerpt = play([(500, lambda live: stamps.append(live.act({"lights": "position"})))])
    assert [action.at_ns for action in excerpt.recording.actions] == stamps
    assert stamps == [500 * MS + 137]


def test_a_situation_happens_by_itself_and_is_written_out(tmp_path):
    _, excerpt = play([(1000, act(door="open")), (2400, nothing)], situation="night_drive")
    asked = [action.values for action in excerpt.recording.actions]
    assert asked == [
        {"lights": "position"},
        {"lights": "dipped", "panel_dimmer": 30.0},
        {"door": "open"},
        {"high_beam": "on"},
        {"high_beam": "off"},
        {"lights": "off", "high_beam": "on"},
    ]
    again = run(load_scenario(save(excerpt.scenario, tmp_path, "drive")))
    assert again.recording == excerpt.recording


def test_a_fault_that_is_there_is_not_applied_twice_and_what_is_gone_not_cleared():
    twice = apply("unplug", node="rear")
    off = clear("unplug", node="rear")
    _, excerpt = play([(100, twice), (200, twice), (300, off), (400, off), (500, nothing)])
    assert len(excerpt.recording.faults) == len(excerpt.scenario.faults) == 1


def test_what_does_not_fit_the_vehicle_is_refused_in_a_sentence():
    live = LiveSession(WREN)
    with pytest.raises(ValueError, match=r"unknown input 'light'.*did you mean 'lights'"):
        live.act({"light": "on"})
    with pytest.raises(ValueError, match="'lights' has no position 'posision'"):
        live.act({"lights": "posision"})
    with pytest.raises(ValueError, match="expected a number from 0 to 8000 rpm"):
        live.act({"engine_speed": 9000})
    with pytest.raises(ValueError, match="unknown node 'reer'"):
        live.apply(fault("unplug", node="rear").model_copy(update={"node": "reer"}))
    with pytest.raises(BadInput, match="unknown situation 'night'"):
        LiveSession(WREN, situation="night")
    with pytest.raises(BadInput, match="--speed: got a speed of 11"):
        LiveSession(WREN, speed=11)


def test_a_full_recording_pauses_the_session(monkeypatch):
    monkeypatch.setattr(room_module, "MOST_BYTES", 100_000)
    live, excerpt = play([(9000, nothing)])
    assert live.full
    assert live.pacer.paused
    assert live.room.share == 1
    assert 150 <= len(excerpt.recording.frames) <= 400


def test_a_recording_tells_how_full_it_is_and_how_long_the_rest_will_do(monkeypatch):
    """At a steady rate: at a half, the rest takes as long as the half took."""
    monkeypatch.setattr(room_module, "MOST_BYTES", 1_000_000)
    live, excerpt = play([(6500, nothing)])
    room = Room(excerpt.recording)
    assert room.left_ns() is None
    assert 0.1 < live.room.share < 0.9
    rate = live.room.share / 6.0
    assert live.room.left_ns() / 1e9 == pytest.approx((1 - live.room.share) / rate, rel=0.15)


def test_a_cut_cable_fills_the_recording_no_faster_than_a_whole_one():
    """The lone node tries 2,500 times a second; what is kept of it grows with what it sends."""
    story = [(500, act(ignition="on")), (20_000, nothing)]
    live, excerpt = play(story)
    lone, broken = play([*story, (600, apply("cut", between=["gauge", "rear"]))])
    assert len(broken.recording.frames) > 10 * len(excerpt.recording.frames)
    assert 0 < lone.room.share < 1.3 * live.room.share


def test_what_a_save_would_overwrite_stays(tmp_path):
    _, excerpt = play([(100, nothing)])
    first, second = (
        save(excerpt.scenario, tmp_path, "drive"),
        save(excerpt.scenario, tmp_path, "drive"),
    )
    assert (first.name, second.name) == ("drive.toml", "drive-2.toml")


@pytest.mark.parametrize("name", ["../up", "a/b", "", ".hidden", "x" * 61, "semi;colon"])
def test_a_name_is_a_plain_name(name, tmp_path):
    _, excerpt = play([(10, nothing)])
    with pytest.raises(ValueError, match="letters, digits"):
        save(excerpt.scenario, tmp_path, name)


def test_at_another_speed_the_same_real_instant_is_another_virtual_one():
    _, excerpt = play([(100, act(ignition="on")), (300, nothing)], speed=10)
    assert excerpt.recording.actions[0].at_ns == 10 * (100 * MS + 137)
