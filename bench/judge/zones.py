"""The times in which nothing excuses a load any more: *rejoin* after the last fault has gone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from bench.judge.case import Case
from bench.judge.paint import Paint
from bench.model.vehicle import LoadTable


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


def cut_out(paints: Iterable[Paint], strict: Sequence[Zone], rules: frozenset[str]) -> list[Paint]:
    """The paints without the parts of those of the named rules that lie in a strict time."""
    kept: list[Paint] = []
    for paint in paints:
        if paint.rule not in rules:
            kept.append(paint)
            continue
        start = paint.from_ns
        for zone in strict:
            if zone.to_ns <= start or zone.from_ns >= paint.to_ns:
                continue
            if zone.from_ns > start:
                kept.append(paint._replace(from_ns=start, to_ns=zone.from_ns))
            start = zone.to_ns
        if start < paint.to_ns:
            kept.append(paint._replace(from_ns=start))
    return kept


def first_gap(spans: Sequence[tuple[int, int]], from_ns: int, to_ns: int) -> int | None:
    """The first instant of [from_ns, to_ns) that no span covers, or None."""
    reached = from_ns
    for start, end in sorted(spans):
        if start > reached:
            break
        reached = max(reached, end)
    return reached if reached < to_ns else None


def missing_sender(case: Case, load: LoadTable, at_ns: int, since_ns: int) -> str:
    """Whose fault it is that no good message arrives: its sender's, unless intact ones were on
    the wire and none of them was delivered to the load's node.
    """
    assert load.request is not None
    message, _ = case.vehicle.signal(load.request)
    traffic = case.traffic(message.name)
    sent = traffic.sent.any_in(since_ns, at_ns)
    heard = traffic.heard_by(load.node).any_in(since_ns, at_ns)
    return load.node if sent and not heard else case.vehicle.sender(message.name)
