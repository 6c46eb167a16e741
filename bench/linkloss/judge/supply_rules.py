"""Rules of the supply: *fed* and *neighbours*.

*Fed*: a car does not starve its own nodes, and a load gets what its node commands. A node may lose
its supply to a fault, or to a start of the engine that the vehicle declares as able to reset it.
When a load does not get what it should, the circuit is at fault and no rule on states is broken:
the node has done what it was told.

    command   ____/~~~~~~~~~~~~~~~~
    volts     ok  ok  low   ok  ok
    right     ..... ,,--            the contact has its time, a soft start its steps
    excused             [.....)     out of range, and for a latency afterwards

*Neighbours*: a short on one load does not take its neighbours down.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from linkloss.judge.case import Case
from linkloss.judge.uptimes import merged, without
from linkloss.judge.verdict import Cause, Outcome, Verdict, worst
from linkloss.recording import Series
from linkloss.units import show_duration
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import Vehicle


def feeds_node(vehicle: Vehicle, node: str) -> bool:
    """Whether *fed* is declared for a node: its supply is part of the car's circuit."""
    return vehicle.supply is not None and vehicle.nodes[node].supply is not None


def feeds_load(vehicle: Vehicle, load: str) -> bool:
    """Whether *fed* is declared for a load: it is part of the car's circuit."""
    table = vehicle.loads[load]
    return table.electrical is not None and feeds_node(vehicle, table.node)


def judge_fed_node(case: Case, node: str) -> list[Verdict]:
    """Exercised where the car drew current: a load was driven in the run."""
    if not feeds_node(case.vehicle, node):
        return []
    found = [Verdict(node, "fed", Outcome.NOT_EXERCISED)]
    for change in case.recording.nodes[node]:
        if change.state == "off" and change.by == "car" and change.at_ns >= case.start_ns:
            opened = [fuse for fuse in case.recording.fuses if node in fuse.nodes]
            blown = opened and opened[-1].at_ns <= change.at_ns
            found.append(
                Verdict.wrong(
                    node, "fed", change.at_ns, case.end_ns - change.at_ns,
                    Cause.FEED_FUSE if blown else Cause.STARVED, culprit=node,
                )
            )  # fmt: skip
    if any(level > 0 for driven in case.recording.driven.values() for level in driven.values):
        found.append(Verdict(node, "fed", Outcome.KEPT))
    return [worst(found)]


def judge_fed_load(case: Case, load: str) -> list[Verdict]:
    """A load gets what its node commands within the circuit's time, and nothing else. It is not
    judged while something behind the node is at fault, nor while the node's supply is out of range
    and for a latency after that.
    """
    if not feeds_load(case.vehicle, load):
        return []
    found = [Verdict(load, "fed", Outcome.NOT_EXERCISED)]
    node = case.vehicle.loads[load].node
    for fuse in case.recording.fuses:
        if load in fuse.loads and fuse.by == "car" and fuse.at_ns >= case.start_ns:
            found.append(
                Verdict.wrong(
                    load, "fed", fuse.at_ns, case.end_ns - fuse.at_ns,
                    Cause.OWN_FUSE, about=(fuse.what,), culprit=node,
                )
            )  # fmt: skip
    found += _differences(case, load)
    return [worst(found)]


def _differences(case: Case, load: str) -> Iterator[Verdict]:
    table = case.vehicle.loads[load]
    cannot = _cannot(case, load)
    got = case.recording.outputs[load]
    softly_ns = 0 if table.electrical is None else table.electrical.soft_start
    for from_ns, to_ns, level in case.command(load).stretches(case.end_ns, case.start_ns):
        for start_ns, end_ns in without(from_ns + table.switching_ns, to_ns, cannot):
            # After an excuse, which ends with a latency, the switch starts afresh.
            full_ns = max(from_ns, start_ns - table.latency) + softly_ns
            wrong = [
                (begin_ns, until_ns, shown)
                for at_ns, until_ns, shown in got.stretches(end_ns, start_ns)
                for begin_ns in _wrong_from(table, level, shown, max(at_ns, start_ns), full_ns)
                if begin_ns < until_ns
            ]
            for at_ns, until_ns, shown in wrong[:1]:
                wrong_ns = until_ns - at_ns
                cause = Cause.PART_POWER if shown > 0 else Cause.NO_POWER
                yield Verdict.missed(
                    load, "fed", at_ns, wrong_ns,
                    cause if level > 0 else Cause.POWER_WHEN_OFF,
                    f"{100 * shown:.0f} %", f"{100 * level:.0f} %", culprit=table.node,
                )  # fmt: skip
            if level > 0 and not wrong:
                yield Verdict(load, "fed", Outcome.KEPT)


def _wrong_from(
    table: LoadTable, level: float, shown: float, at_ns: int, full_ns: int
) -> Iterator[int]:
    """From when a load that shows a level from an instant on is wrong, if ever: one with a soft
    start has up to ``full_ns`` to reach what is commanded. A relay is closed or open.
    """
    if (shown > 0) != (level > 0):
        yield at_ns
        return
    relay = table.electrical is not None and table.electrical.relay is not None
    if not relay and abs(shown - level) > max(level / 10, 0.02):
        yield at_ns if shown > level else max(at_ns, full_ns)


def _cannot(case: Case, load: str) -> list[tuple[int, int]]:
    """When the hardware behind a load's node cannot do as it is told: something behind the node is
    at fault, a fault has opened its fuse, or the node's voltage is out of range. A relay that
    dropped out then has a latency to pull in again.
    """
    table = case.vehicle.loads[load]
    excused = case.cannot(load)
    excused += [
        (from_ns, to_ns + table.latency) for from_ns, to_ns in case.undersupplied(table.node)
    ]
    for fuse in case.recording.fuses:
        if load in fuse.loads and fuse.by == "fault":
            mended = case.spans(lambda fault: load in fault.loads)
            ends = [to_ns for from_ns, to_ns in mended if from_ns <= fuse.at_ns <= to_ns]
            excused.append((fuse.at_ns, max(ends, default=case.end_ns)))
    return merged(excused)


SHORT = "load_short"
"""The fault that exercises *neighbours*."""


def has_neighbours(vehicle: Vehicle, node: str) -> bool:
    """Whether *neighbours* is declared for a node: it has a supply, and feeds several loads by
    leads.
    """
    loads = [load.electrical for load in vehicle.loads.values() if load.node == node]
    fed = [table for table in loads if table is not None and table.lead is not None]
    return vehicle.nodes[node].supply is not None and len(fed) > 1


def judge_neighbours(case: Case, node: str) -> list[Verdict]:
    """The rule *neighbours* of a node: while one of its loads is shorted, no node loses its supply
    because of that, and no other load that the node drives is without current for longer than
    ``dip_limit``.

    Exercised when the shorted load was driven and then a neighbour for longer than ``dip_limit``.
    The short is not blamed for what happens during a fault of a node, of the supply or of the
    neighbour, nor for the closing time of a neighbour's relay.
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
    for name, history in case.histories.items():
        for uptime in history.uptimes:
            blamed = not any(start <= uptime.reset_ns <= end for start, end in others)
            if blamed and uptime.cause == "supply" and hot[0][0] <= uptime.reset_ns < to_ns:
                yield Verdict.wrong(
                    node, "neighbours", uptime.reset_ns, None,
                    Cause.SHORT_TOOK_NODE, about=(shorted, name), culprit=node,
                )  # fmt: skip
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
                    yield Verdict.missed(
                        node, "neighbours", dark_ns + limit_ns, over_ns,
                        Cause.SHORT_TOOK_LOAD, show_duration(lit_ns - dark_ns),
                        show_duration(limit_ns), about=(shorted, name), culprit=node,
                    )  # fmt: skip
    if tested:
        yield Verdict(node, "neighbours", Outcome.KEPT, max(0, limit_ns - longest_ns))


def _driven(case: Case, load: str, from_ns: int, to_ns: int) -> list[tuple[int, int]]:
    """When a load's node drove it, within a span."""
    driven = case.recording.driven.get(load)
    return [] if driven is None else _where(driven, from_ns, to_ns, lit=True)


def _fed(case: Case, load: str, from_ns: int, to_ns: int) -> Iterator[tuple[int, int]]:
    """When a load should have had current within a span, as far as only the short goes."""
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
    for start_ns, end_ns, level in series.stretches(to_ns, from_ns):
        if (level > 0) == lit:
            start_ns = max(start_ns, from_ns)
            if found and found[-1][1] == start_ns:
                start_ns = found.pop()[0]
            found.append((start_ns, end_ns))
    return found
