"""How two faults meet in time, around one action of the driver.

    action              A
    first          [--------------]
    at once              [-----------------...    soon after the action, and it outlives the first
    amid                    [--]                  when every deadline of the first is over
    as it clears               [-----------...    just before the first clears
    just cleared                   [-------...    within a message period after that
    soon after     [brief]    [------------...    the first hid the action; few messages have come
    while back     [--] A [----------------...    the action falls between the two

A momentary fault, such as a reset, counts as there while the node gets over it.
"""

from __future__ import annotations

from typing import NamedTuple

from linkloss.campaign.cases import Spans
from linkloss.faults.base import Fault
from linkloss.scenario import TimedFault

OVERLAPPING = ("at once", "amid", "as it clears")
CONSECUTIVE = ("just cleared", "soon after", "while back")


class Window(NamedTuple):
    """From when to when a fault is there, in ns."""

    from_ns: int
    to_ns: int


def met(
    meeting: str, first: Fault, second: Fault, at_ns: int, phase_ns: int, took: Spans, up_ns: int
) -> tuple[TimedFault, TimedFault]:
    """Two faults around an action at ``at_ns`` as one of OVERLAPPING or CONSECUTIVE says.

    ``phase_ns`` shifts them within the message period; ``up_ns`` is when all nodes have booted:
    a fault that is to be over before the action begins no sooner, if it can.
    """
    there = _first(meeting, at_ns, phase_ns, took, up_ns, lasting=first.lasting)
    then = _second(meeting, there, at_ns, phase_ns, took)
    return _timed(first, there), _timed(second, then)


def _first(
    meeting: str, at_ns: int, phase_ns: int, took: Spans, up_ns: int, *, lasting: bool
) -> Window:
    long_ns = took.outage if lasting else took.brief
    if meeting == "soon after":
        start_ns = max(0, at_ns - phase_ns)
        return Window(start_ns, start_ns + took.brief)
    if meeting == "while back":
        end_ns = max(at_ns - phase_ns, took.period)
        earliest_ns = min(up_ns, end_ns - took.period)
        return Window(max(earliest_ns, end_ns - long_ns // 2), end_ns)
    return Window(max(0, at_ns - took.period - phase_ns), at_ns + long_ns)


def _second(meeting: str, there: Window, at_ns: int, phase_ns: int, took: Spans) -> Window:
    held_ns = there.to_ns - at_ns
    if meeting == "at once":
        start_ns = at_ns + min(took.period // 2 + phase_ns, held_ns // 2)
        return Window(start_ns, there.to_ns + took.outage // 2)
    if meeting == "amid":
        start_ns = at_ns + held_ns // 2 + phase_ns // 2
        return Window(start_ns, start_ns + took.brief)
    start_ns = {
        "as it clears": there.to_ns - took.period // 2 - phase_ns,
        "just cleared": there.to_ns + phase_ns,
        "soon after": there.to_ns + 2 * took.period + phase_ns,
        "while back": at_ns + took.period + phase_ns,
    }[meeting]
    return Window(start_ns, start_ns + took.outage)


def _timed(fault: Fault, window: Window) -> TimedFault:
    return TimedFault(fault, window.from_ns, window.to_ns if fault.lasting else None)
