"""Broken now, broken before: what the judge says of a live session while it runs."""

from __future__ import annotations

import pickle
from dataclasses import replace
from functools import cache

import pytest
from live_lab import MS, TAIL_STORY, WREN, act, apply, clear, nothing, play, strict_car

from linkloss.judge import judge
from linkloss.live.growth import Gained, Growth, add, empty_copy
from linkloss.live.judge_process import Begin, Desk, Judged
from linkloss.live.standing import Watcher, tally
from linkloss.session import Session
from linkloss.units import show_duration


@pytest.fixture(scope="module")
def strict(tmp_path_factory):
    return strict_car(tmp_path_factory.mktemp("strict"))


@cache
def driven(vehicle, story):
    _, excerpt = play(story, vehicle)
    return excerpt


def looks(vehicle, story, every_ms=300):
    """Run the session that a story amounts to once more, and look at it again and again."""
    return looked(vehicle, tuple(story), every_ms)


@cache
def looked(vehicle, story, every_ms):
    excerpt = driven(vehicle, story)
    scenario = excerpt.scenario
    session = Session(scenario)
    copy, growth = empty_copy(session.recording), Growth(session.recording)
    watcher = Watcher(vehicle, scenario, copy)
    found = []
    session.begin()
    for at_ns in range(every_ms * MS, scenario.lasts_ns, every_ms * MS):
        session.run_to(at_ns)
        session.queue.run_until(at_ns)
        add(copy, growth.gained(at_ns))
        found.append(watcher.look())
    session.end()
    return found, excerpt


def test_nothing_is_broken_while_a_right_car_is_cut_and_mended():
    found, _ = looks(WREN, TAIL_STORY, 237)
    assert len(found) > 20
    assert all(standing.now == standing.past == () for standing in found)


def test_a_rule_is_broken_while_it_is_and_then_was(strict):
    found, excerpt = looks(strict, TAIL_STORY)
    cut = excerpt.recording.faults[0]
    by_time = {standing.at_ns // MS: standing for standing in found}
    assert by_time[1500].now == ()
    broken = by_time[2400].now
    assert [(entry.subject, entry.rule) for entry in broken] == [("tail_left", "stale")]
    assert "after the cable between gauge and rear was cut" in broken[0].text
    assert "rule: stale (off)" in broken[0].text
    assert cut.applied_ns + 200 * MS < broken[0].since_ns < cut.applied_ns + 320 * MS
    last = found[-1]
    assert last.now == ()
    assert [entry.subject for entry in last.past] == ["tail_left"]
    assert last.past[0].since_ns == broken[0].since_ns
    reset = excerpt.recording.faults[1]
    lamp = excerpt.recording.outputs["tail_left"]
    assert last.past[0].until_ns == reset.applied_ns
    wrong_ns = last.past[0].until_ns - last.past[0].since_ns
    assert last.past[0].text.endswith(f"wrong for {show_duration(wrong_ns)}")
    assert lamp.at(reset.applied_ns - 1) == 1.0


def test_all_looks_together_tell_what_one_look_at_the_end_tells(strict):
    story = [
        (200, act(ignition="on", lights="position", hazard="on")),
        (1400, apply("unplug", node="rear")),
        (2100, clear("unplug", node="rear")),
        (3900, apply("stuck", input="horn_button")),
        (4500, apply("hang", node="front")),
        (5200, clear("hang", node="front")),
        (7000, nothing),
    ]
    found, excerpt = looks(strict, story)
    told = {
        (entry.subject, entry.rule)
        for standing in found
        for entry in (*standing.now, *standing.past)
    }
    verdicts = judge(strict, excerpt.recording)
    assert told == {(verdict.subject, verdict.rule) for verdict in verdicts if verdict.broken}
    assert told


def test_how_often_it_looks_does_not_change_since_when_a_rule_is_broken(strict):
    seldom, _ = looks(strict, TAIL_STORY, 1100)
    often, _ = looks(strict, TAIL_STORY, 270)
    since = [
        {entry.since_ns for standing in found for entry in standing.now}
        for found in (seldom, often)
    ]
    assert since[0] == since[1] != set()


def test_the_band_of_a_lamp_is_what_the_rules_allow_and_red_where_it_broke_them(strict):
    """Its programs keep the tail lamp lit without a link; the demand is that it goes dark."""
    found, excerpt = looks(strict, TAIL_STORY)
    by_time = {standing.at_ns // MS: standing.bands["tail_left"] for standing in found}
    assert by_time[1200].may == "on"
    assert by_time[1200].wrong == ()
    assert by_time[2400].may == "off"
    stale_ns = by_time[2400].wrong[0][0]
    assert by_time[2400].wrong == ((stale_ns, 2400 * MS),)
    assert by_time[2400].lit[-1][1] == stale_ns
    assert by_time[2400].dark[-1] == (by_time[2400].dark[-1][0], 2400 * MS)
    right, _ = looks(WREN, TAIL_STORY, 700)
    told = {name for standing in right for name in standing.bands}
    assert told == set(WREN.loads)
    for standing in right:
        for name, band in standing.bands.items():
            shown = excerpt.recording.outputs[name].at(standing.at_ns - 1)
            assert band.wrong == ()
            assert (band.lit if shown > 0 else band.dark)[-1][1] == standing.at_ns


def test_a_blown_fuse_is_laid_to_nobody_while_the_session_runs():
    """The left tail lamp is lit; its node goes on driving it, and the driver is told."""
    story = (
        (500, act(ignition="on")),
        (600, act(lights="position")),
        (2000, apply("fuse_blown", load="tail_left")),
        (5000, nothing),
    )
    found, excerpt = looks(WREN, story, 500)
    assert excerpt.recording.outputs["tail_left"].at(4900 * MS) == 0.0
    assert all(standing.now == standing.past == () for standing in found)


def test_a_copy_that_kept_up_piece_by_piece_is_the_recording():
    scenario = driven(WREN, tuple(TAIL_STORY)).scenario
    session = Session(scenario)
    copy, growth = empty_copy(session.recording), Growth(session.recording)
    session.begin()
    for at_ns in (*range(10 * MS, scenario.lasts_ns, 97 * MS), scenario.lasts_ns):
        session.run_to(at_ns)
        session.queue.run_until(at_ns)
        piece = growth.gained(at_ns)
        add(copy, pickle.loads(pickle.dumps(piece)))
        assert replace(copy, end_ns=0) == replace(session.recording, end_ns=0)
    session.end()
    assert len(copy.frames) > 500


def test_a_saved_session_is_judged_up_to_where_it_was_saved_while_it_goes_on(strict):
    excerpt = driven(strict, tuple(TAIL_STORY))
    whole = Growth(excerpt.recording).gained(excerpt.recording.end_ns)
    heard = []
    desk = Desk(strict, heard.append)
    desk.begin(Begin("", None, strict.title, 0, ()))
    desk.judge_whole(whole, 7).join(30)
    assert heard[-1] == Judged(7, 1.0, tally(excerpt.judged()))
    shares = [news.share for news in heard]
    assert shares == sorted(shares)
    assert len(shares) > 50


def test_a_whole_judgement_that_fails_says_so(monkeypatch):
    def stumble(*_):
        raise KeyError("nowhere")

    monkeypatch.setattr("linkloss.live.judge_process.judged", stumble)
    heard = []
    desk = Desk(WREN, heard.append)
    desk.begin(Begin("", None, WREN.title, 0, ()))
    desk.judge_whole(Gained(0, {}, {}), 1).join(30)
    assert heard == [Judged(1, 1.0, failed="KeyError: 'nowhere'")]
