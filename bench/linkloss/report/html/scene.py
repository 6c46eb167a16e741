"""One run looked at closely: its picture, the frames around an instant, the same in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from linkloss.campaign.result import RunResult
from linkloss.judge import Verdict
from linkloss.judge.case import Case
from linkloss.report.events import events
from linkloss.report.html.frames import frames_around
from linkloss.report.html.lanes import lanes, moved_loads
from linkloss.report.html.picture import picture
from linkloss.report.html.sheet import Flag, Scene
from linkloss.report.timeline import instant

MARGIN_NS = 400_000_000
"""How much is shown before and behind what a picture is to show first."""
MOST_EVENTS = 400


class Place(NamedTuple):
    """What to look at in a run: a rule of a subject, and the instant, if it has one."""

    subject: str
    rule: str
    at_ns: int | None = None


def look(result: RunResult, places: Sequence[Place]) -> Scene:
    """Look at a run where it matters: at the places, or, where there is none, at its first fault
    and at all loads.
    """
    vehicle, recording = result.scenario.vehicle, result.recording
    subjects = [place.subject for place in places]
    broken = {verdict.subject for verdict in result.broken}
    drawn = lanes(Case(vehicle, recording), subjects or moved_loads(recording), broken)
    instants = sorted({place.at_ns for place in places if place.at_ns is not None})
    first_ns = instants[0] if instants else _first_fault(result)
    flags = [Flag(at_ns, _flag(places, at_ns)) for at_ns in instants]
    told = events(result)
    return Scene(
        picture=picture(drawn, recording.end_ns, _focus(result, instants), flags),
        frames=frames_around(vehicle, recording, first_ns, _asking(result, subjects)),
        around=f"{instant(first_ns)}: {_flag(places, first_ns) or 'the first fault'}",
        events=tuple((instant(event.at_ns), event.text) for event in told[:MOST_EVENTS]),
        held=tuple(_held(verdict) for verdict in result.broken),
    )


def _held(verdict: Verdict) -> tuple[str, str, int | None]:
    return verdict.subject, verdict.rule, verdict.at_ns


def _first_fault(result: RunResult) -> int:
    faults = result.recording.faults
    return min((fault.applied_ns for fault in faults), default=result.recording.end_ns)


def _flag(places: Sequence[Place], at_ns: int) -> str:
    found = [f"{place.subject}, rule {place.rule}" for place in places if place.at_ns == at_ns]
    more = f" and {len(found) - 3} more" if len(found) > 3 else ""
    return "; ".join(found[:3]) + more


def _focus(result: RunResult, instants: Sequence[int]) -> tuple[int, int]:
    """From the fault before the first break to the last break; where nothing broke, around the
    first fault.
    """
    if not instants:
        first_ns = _first_fault(result)
        return first_ns - MARGIN_NS, first_ns + 3 * MARGIN_NS
    before = [f.applied_ns for f in result.recording.faults if f.applied_ns <= instants[0]]
    start_ns = max(before, default=instants[0])
    margin_ns = max(MARGIN_NS, (instants[-1] - start_ns) // 4)
    return start_ns - margin_ns, instants[-1] + margin_ns


def _asking(result: RunResult, subjects: Sequence[str]) -> tuple[str, ...]:
    """The messages that ask for the loads among the subjects."""
    loads = result.scenario.vehicle.loads
    found = [message for name in subjects if name in loads for message in loads[name].messages]
    found += [name.partition(".")[0] for name in subjects if "." in name and name not in loads]
    return tuple(dict.fromkeys(found))
