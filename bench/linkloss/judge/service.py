"""When a node's program can do its work, and when something keeps it from it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from linkloss.judge.case import Case

TimeSpan = tuple[int, int]
"""From an instant to another, in ns."""


class BusOff(NamedTuple):
    """A controller was off the bus; ``back`` tells whether it came back by itself, or by its
    program's asking, and not by a reset of the node or not at all.
    """

    from_ns: int
    to_ns: int
    back: bool


def bus_offs(case: Case, node: str) -> Iterator[BusOff]:
    """When a node's controller was bus-off, in order of time. A reset ends it without a word."""
    resets = [
        change.at_ns
        for change in case.recording.nodes.get(node, [])
        if change.state in ("reset", "off")
    ]
    changes = case.recording.controllers.get(node, [])
    for place, change in enumerate(changes):
        if change.state != "BUS_OFF":
            continue
        later = changes[place + 1 :]
        back_ns = next((other.at_ns for other in later if other.state != "BUS_OFF"), case.end_ns)
        reset_ns = next((at_ns for at_ns in resets if at_ns > change.at_ns), case.end_ns)
        back = back_ns <= reset_ns and back_ns < case.end_ns
        yield BusOff(change.at_ns, min(back_ns, reset_ns), back)


def off_the_bus(case: Case, node: str) -> Iterator[TimeSpan]:
    """While its controller is off the bus a program hears nobody and can hand nothing over; when
    it is back it has its time to rejoin. A reset begins anew: what is due behind it is due.
    """
    rejoin_ns = case.vehicle.nodes[node].rejoin
    for off in bus_offs(case, node):
        yield off.from_ns, off.to_ns + rejoin_ns * off.back
