"""What a look of the judge costs while a session lasts: after a minute, ten minutes, an hour.

Hazard lights flash all the time, and the rear is cut off in the third minute. How long the looks
took is printed (``-s``) and not asserted; that a look needs no more than the last part of the
recording is. ``LINKLOSS_LOOK_SECONDS=60,160,600,3600`` chooses when to measure.
"""

from __future__ import annotations

import os
import resource
from dataclasses import replace

from linkloss.clock.wallclock import processor_seconds
from linkloss.faults.catalogue import make_fault
from linkloss.live.driven import beginning
from linkloss.live.growth import Growth, add, empty_copy
from linkloss.live.standing import Watcher
from linkloss.live.window import LONGEST_NS
from linkloss.scenario import TimedAction, TimedFault
from linkloss.session import Session
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.loading import load_vehicle

S = 1_000_000_000
WHEN = [int(text) for text in os.environ.get("LINKLOSS_LOOK_SECONDS", "60,160,600,3600").split(",")]
LOOKS = 24
"""Half a second apart: enough for a window to grow and to be cut."""
SELDOM_S = 15


def test_a_look_after_an_hour_reads_no_more_than_one_after_a_minute():
    vehicle = load_vehicle(demo_vehicle())
    base, _ = beginning(vehicle, "", 0)
    driven = {"ignition": "on", "lights": "position", "hazard": "on"}
    cut = TimedFault(make_fault("cut", {"between": ["gauge", "rear"]}, vehicle), 120 * S, 180 * S)
    lasts_ns = (WHEN[-1] + LOOKS) * S
    actions = (TimedAction(S // 5, driven),)
    scenario = replace(base, lasts_ns=lasts_ns, actions=actions, faults=(cut,))
    session = Session(scenario)
    copy, growth = empty_copy(session.recording), Growth(session.recording)
    watcher = Watcher(vehicle, scenario, copy)
    session.begin()

    def look_at(at_ns: int) -> float:
        session.run_to(at_ns)
        session.queue.run_until(at_ns)
        add(copy, growth.gained(at_ns))
        begun_s = processor_seconds()
        watcher.look()
        return processor_seconds() - begun_s

    at_ns = 0
    for when in WHEN:
        while at_ns < (when - SELDOM_S) * S:
            at_ns += SELDOM_S * S
            look_at(at_ns)
        took_s = []
        for _ in range(LOOKS):
            at_ns += S // 2
            took_s.append(look_at(at_ns))
        mean_ms, most_ms = 1000 * sum(took_s) / LOOKS, 1000 * max(took_s)
        kilobytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        print(f"{when} s: {mean_ms:.0f} ms a look, at most {most_ms:.0f}; {kilobytes >> 10} MB")
        assert (
            watcher.window.recording.end_ns - watcher.window.since_ns
            < LONGEST_NS + 2 * SELDOM_S * S
        )
        assert len(watcher.window.recording.frames) < len(copy.frames) or when < SELDOM_S
    session.end()
