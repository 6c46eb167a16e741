"""The times in which no fault is left and *rejoin* is over: a link and a node must be back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from linkloss.judge.case import Case
from linkloss.model.load import LoadTable


class Zone(NamedTuple):
    """From ``from_ns`` to ``to_ns`` a node must be in service; the faults were gone at
    ``quiet_ns``, and ``after_fault`` says that there had been one.
    """

    quiet_ns: int
    from_ns: int
    to_ns: int
    after_fault: bool


def zones(case: Case, rejoin_ns: int) -> list[Zone]:
    """The strict times of a rule with this time to rejoin."""
    first_fault = min((fault.applied_ns for fault in case.recording.faults), default=case.end_ns)
    return [
        Zone(start, start + rejoin_ns, end, start >= first_fault)
        for start, end in case.quiet
        if start + rejoin_ns < end
    ]


def first_gap(spans: Sequence[tuple[int, int]], from_ns: int, to_ns: int) -> int | None:
    """The first instant of [from_ns, to_ns) that no span covers, or None."""
    reached = from_ns
    for start, end in sorted(spans):
        if start > reached:
            break
        reached = max(reached, end)
    return reached if reached < to_ns else None


def missing_sender(case: Case, load: LoadTable, at_ns: int, since_ns: int) -> tuple[str, str]:
    """The message that does not arrive well at a load's node, and whose fault that is: its
    sender's, unless intact ones were on the bus and none of them was delivered to the node.
    """
    found = []
    for message in load.messages:
        traffic = case.traffic(message)
        sent = traffic.sent.any_in(since_ns, at_ns)
        heard = traffic.heard_by(load.node).any_in(since_ns, at_ns)
        culprit = load.node if sent and not heard else case.vehicle.sender(message)
        found.append((heard, message, culprit))
    _, message, culprit = next((entry for entry in found if not entry[0]), found[0])
    return message, culprit
