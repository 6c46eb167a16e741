"""A short on one load must not take its neighbours down."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from linkloss.judge.case import Case
from linkloss.judge.states import levels
from linkloss.judge.supply import without
from linkloss.judge.verdict import Outcome, Verdict, worst
from linkloss.model.loading import Vehicle
from linkloss.model.units import show_duration
from linkloss.recording import Series

SHORT = "load_short"
"""The fault that puts the rule to the test."""


def has_neighbours(vehicle: Vehicle, node: str) -> bool:
    """Whether the rule is declared for a node: it has a supply, and feeds loads by leads."""
    loads = [load.electrical for load in vehicle.loads.values() if load.node == node]
    fed = [table for table in loads if table is not None and table.lead is not None]
    return vehicle.nodes[node].supply is not None and len(fed) > 1


def judge_neighbours(case: Case, node: str) -> list[Verdict]:
    """The rule *neighbours* of a node: while one of its loads is shorted, no node loses its
    supply for it, and no other load that the node drives is without current for longer than
    ``dip_limit``.

    Exercised when the shorted load was driven, and then a neighbour for longer than that. What
    happens while a fault of a node, of the supply or of the neighbour is there is not laid to the
    short, nor that a neighbour's relay takes its time to close.
    """
    if not has_neighbours(case.vehicle, node):
        return []
    found = [Verdict(node, "neighbours", Outcome.NOT_EXERCISED)]
    for fault in case.recording.faults:
        until_ns = case.end_ns if fault.cleared_ns is None else fault.cleared_ns
        if fault.kind != SHORT or fault.applied_ns < case.start_ns:
            continue
        if fault.loads and case.vehicle.loads[fault.loads[0]].node == node:
            found += _judge_short(case, node, fault.loads, fault.applied_ns, until_ns)
    return [worst(found)]


def _judge_short(
    case: Case, node: str, circuit: Sequence[str], from_ns: int, to_ns: int
) -> Iterator[Verdict]:
    """``circuit``: the shorted load, and those that share its fuse."""
    shorted = circuit[0]
    hot = _driven(case, shorted, from_ns, to_ns)
    if not hot:
        return
    others = case.spans(lambda fault: fault.group == "node")
    for name, story in case.lives.items():
        for life in story.lives:
            blamed = not any(start <= life.reset_ns <= end for start, end in others)
            if blamed and life.cause == "supply" and hot[0][0] <= life.reset_ns < to_ns:
                text = f"the short of {shorted} took the supply of node {name}"
                yield Verdict(
                    node, "neighbours", Outcome.BROKEN, None, life.reset_ns, None, text, node
                )
    supply = case.vehicle.nodes[node].supply
    assert supply is not None
    limit_ns = supply.dip_limit
    longest_ns, tested = 0, False
    for name, load in case.vehicle.loads.items():
        if load.node != node or name in circuit or name not in case.recording.driven:
            continue
        for start_ns, end_ns in _fed(case, name, hot[0][0], to_ns):
            tested = tested or end_ns - start_ns > limit_ns
            for dark_ns, lit_ns in _dark(case.recording.outputs[name], start_ns, end_ns):
                longest_ns = max(longest_ns, lit_ns - dark_ns)
                over_ns = lit_ns - dark_ns - limit_ns
                if over_ns > 0:
                    lasted, allowed = show_duration(lit_ns - dark_ns), show_duration(limit_ns)
                    text = f"the short of {shorted} took {name} down for {lasted};"
                    text += f" allowed: {allowed}"
                    at_ns = dark_ns + limit_ns
                    yield Verdict(
                        node, "neighbours", Outcome.BROKEN, -over_ns, at_ns, over_ns, text, node
                    )
    if tested:
        yield Verdict(node, "neighbours", Outcome.KEPT, max(0, limit_ns - longest_ns))


def _driven(case: Case, load: str, from_ns: int, to_ns: int) -> list[tuple[int, int]]:
    """When a load's node drove it, within a span."""
    driven = case.recording.driven.get(load)
    return [] if driven is None else _where(driven, from_ns, to_ns, lit=True)


def _fed(case: Case, load: str, from_ns: int, to_ns: int) -> Iterator[tuple[int, int]]:
    """When a load should have had its current within a span, as far as a short alone goes."""
    others = case.spans(lambda fault: fault.group == "node" or load in fault.loads)
    switching_ns = case.vehicle.loads[load].switching_ns
    for on_ns, off_ns in _driven(case, load, 0, to_ns):
        start_ns = max(from_ns, on_ns + switching_ns)
        if start_ns < off_ns:
            yield from without(start_ns, off_ns, others)


def _dark(outputs: Series[float], from_ns: int, to_ns: int) -> list[tuple[int, int]]:
    """When a load got nothing, within a span."""
    return _where(outputs, from_ns, to_ns, lit=False)


def _where(series: Series[float], from_ns: int, to_ns: int, *, lit: bool) -> list[tuple[int, int]]:
    found: list[tuple[int, int]] = []
    for start_ns, end_ns, level in levels(series, to_ns, from_ns):
        if (level > 0) == lit:
            start_ns = max(start_ns, from_ns)
            if found and found[-1][1] == start_ns:
                start_ns = found.pop()[0]
            found.append((start_ns, end_ns))
    return found
