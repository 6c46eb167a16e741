"""A look at the last part of a session tells of every load what the judge of the whole tells."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest
from live_lab import MS, WREN, fault, strict_car

from linkloss.judge.case import Case
from linkloss.judge.evidence import Evidence
from linkloss.judge.loads import view_from, view_load, walked_from
from linkloss.judge.states import state_words
from linkloss.live.driven import beginning
from linkloss.live.growth import Growth, add, empty_copy
from linkloss.live.standing import STRIP_NS, Band, Watcher
from linkloss.live.view import offers
from linkloss.live.window import LONGEST_NS
from linkloss.report.html.lanes import band
from linkloss.scenario import TimedAction, TimedFault
from linkloss.session import Session

S = 1000 * MS
FAULTS = [offer.fault for offer in offers(WREN)]
DRIVING = TimedAction(200 * MS, {"ignition": "on", "lights": "dipped", "hazard": "on"})


def looks(scenario, instants):
    """The looks at a session at these instants, each with its watcher and the whole recording."""
    session = Session(scenario)
    copy, growth = empty_copy(session.recording), Growth(session.recording)
    watcher = Watcher(scenario.vehicle, scenario, copy)
    session.begin()
    for at_ns in instants:
        session.run_to(at_ns)
        session.queue.run_until(at_ns)
        add(copy, growth.gained(at_ns))
        yield watcher.look(), watcher, copy
    session.end()


def scenario(seconds, actions=(DRIVING,), faults=(), seed=0, vehicle=WREN):
    base, _ = beginning(vehicle, "", seed)
    return replace(base, lasts_ns=seconds * S, actions=tuple(actions), faults=tuple(faults))


def judged_whole(recording, evidence):
    """The bands of the last ten seconds, as the judge of the whole recording has them."""
    case = Case(WREN, recording, evidence, max(0, recording.end_ns - STRIP_NS))
    for name in WREN.loads:
        walked = view_load(case, name).walked
        spans = band(walked.segments)
        wrong = tuple((breach.at_ns, breach.to_ns) for breach in walked.breaches)
        may = state_words(walked.segments[-1].states)
        yield name, Band(tuple(spans["lit"]), tuple(spans["dark"]), wrong, may)


def by_chance(seed, seconds):
    """A session in which somebody moves inputs and tries faults, now and then, often or for long,
    and the instants of the looks at it.
    """
    random = Random(seed)
    actions, faults = [TimedAction(200 * MS, {"ignition": "on"})], []
    at_ns = 200 * MS
    while at_ns < (seconds - 1) * S:
        at_ns += round(random.choice((50, 300, 1000, 3000, 8000)) * MS * random.uniform(0.5, 1.5))
        if random.random() < 0.6:
            name, table = random.choice([*WREN.inputs.items()])
            low_high = table.range
            value = (
                random.choice(table.positions) if low_high is None else random.uniform(*low_high)
            )
            actions.append(TimedAction(at_ns, {name: value}))
            continue
        tried = random.choice(FAULTS)
        lasts_ms = random.choice((20, 300, 2000, 10_000, 60_000)) * random.uniform(0.5, 1.5)
        until_ns = at_ns + round(lasts_ms * MS) if tried.lasting else None
        there = [timed for timed in faults if timed.fault == tried]
        if not any(timed.until_ns is None or timed.until_ns >= at_ns for timed in there):
            over = until_ns is None or until_ns >= seconds * S
            faults.append(TimedFault(tried, at_ns, None if over else until_ns))
    instants, at_ns = [], 500 * MS
    while at_ns < seconds * S:
        instants.append(at_ns)
        at_ns += round(random.uniform(1, 6) * S)
    return scenario(seconds, actions, faults, seed), instants


def compare(seed, seconds, *, confused=False):
    """``confused``: the walk over one load is told to go on where that over another one stood."""
    told = 0
    whole = None
    for standing, watcher, recording in looks(*by_chance(seed, seconds)):
        if not watcher.window.since_ns:
            continue
        whole = whole or Evidence(WREN, recording)
        for name, expected in judged_whole(recording, whole):
            assert standing.bands[name] == expected, (seed, standing.at_ns, name)
            told += 1
        if confused:
            # What the window lacks is held against no node.
            assert standing.now == standing.past == ()
            watcher.stood["tail_left"] = watcher.stood["horn"]
    assert told > len(WREN.loads)


def test_the_band_of_each_load_is_that_of_the_whole_session():
    compare(12, 42, confused=True)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(40, 60))
def test_the_band_of_each_load_is_that_of_the_whole_session_in_longer_ones(seed):
    compare(seed, 150)


def test_a_link_that_was_lost_long_ago_is_still_lost(tmp_path):
    """The rear is cut off for longer than a window reaches back: its lamps may do what they must
    without a link, and a rule that they break meanwhile stays broken since when it was. A horn that
    its limit has silenced stays silent, while the button is held.
    """
    cut = TimedFault(fault("cut", between=["gauge", "rear"]), 3 * S, None)
    held = TimedAction(3 * S, {"horn_button": "pressed"})
    scene = scenario(39, (DRIVING, held), (cut,), vehicle=strict_car(tmp_path))
    broken = set()
    for standing, watcher, recording in looks(scene, range(2 * S, 39 * S, 6 * S)):
        since_ns = watcher.window.since_ns
        assert recording.end_ns - since_ns < LONGEST_NS + 6 * S
        assert (standing.bands["tail_left"].may, standing.bands["brake_lamps"].may) == (
            ("on", "off") if standing.at_ns < 3 * S else ("off", "off")
        )
        assert standing.bands["horn"].may == "off"
        broken |= {(entry.subject, entry.rule, entry.since_ns) for entry in standing.now}
        assert bool(standing.now) == (standing.at_ns > 3 * S)
        assert standing.past == ()
    assert since_ns > 10 * S
    assert len(watcher.window.recording.frames) < 0.75 * len(recording.frames)
    [(subject, rule, since_ns)] = broken
    assert (subject, rule) == ("tail_left", "stale")
    assert 3 * S + 200 * MS < since_ns < 3 * S + 320 * MS


def test_a_walk_goes_on_only_where_the_recording_tells_the_same_of_the_time_before():
    scene = scenario(9, (DRIVING, TimedAction(4 * S, {"lights": "off"})))
    other = scenario(9, (TimedAction(200 * MS, {"ignition": "on"}),))
    lit, dark = (Case(WREN, Session(each).run(), start_ns=7 * S) for each in (scene, other))
    view = view_load(lit, "tail_left")
    _, stood = walked_from(lit, view, 7 * S, stand_ns=3 * S)
    again = view_from(lit, "tail_left", stood)
    assert again.walked == view.walked
    assert view_from(dark, "tail_left", stood) is None
