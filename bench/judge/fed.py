"""*Fed*: a car does not starve its own nodes, and a load gets what its node commands.

Lawful is a loss of supply that a fault caused, or a start of the engine that the vehicle declares
as able to reset the node. What a load does not get is the circuit's doing, and no rule on states:
its node has done what it was told.
"""

from __future__ import annotations

from collections.abc import Iterator

from bench.judge.case import Case
from bench.judge.states import levels
from bench.judge.supply import merged, without
from bench.judge.verdict import Outcome, Verdict, worst
from bench.model.loading import Vehicle
from bench.model.units import show_duration

AFTERMATH_NS = 300_000_000
"""So long behind a fault of the supply filaments are cold and motors at rest, and all draw their
inrush at once: about ten time constants of a lamp, three of a motor; common practice."""


def feeds_node(vehicle: Vehicle, node: str) -> bool:
    """Whether the rule is declared for a node: its supply is part of the car's circuit."""
    return vehicle.supply is not None and vehicle.nodes[node].supply is not None


def feeds_load(vehicle: Vehicle, load: str) -> bool:
    """Whether the rule is declared for a load: it is part of the car's circuit."""
    table = vehicle.loads[load]
    return table.electrical is not None and feeds_node(vehicle, table.node)


def judge_fed_node(case: Case, node: str) -> list[Verdict]:
    """Exercised where the car drew current: a load was driven while the node had its supply."""
    if not feeds_node(case.vehicle, node):
        return []
    found = [Verdict(node, "fed", Outcome.NOT_EXERCISED)]
    for change in case.recording.nodes[node]:
        if change.state == "off" and change.by == "car" and change.at_ns >= case.start_ns:
            text = "lost its supply without any fault"
            opened = [fuse for fuse in case.recording.fuses if node in fuse.nodes]
            if opened and opened[-1].at_ns <= change.at_ns:
                text += f": the fuse in the feed of {node} opened"
            lasts_ns = case.end_ns - change.at_ns
            found.append(
                Verdict(node, "fed", Outcome.BROKEN, None, change.at_ns, lasts_ns, text, node)
            )
    if any(level > 0 for driven in case.recording.driven.values() for level in driven.values):
        found.append(Verdict(node, "fed", Outcome.KEPT))
    return [worst(found)]


def judge_fed_load(case: Case, load: str) -> list[Verdict]:
    """A load that its node commands gets its current within the circuit's time, and one that it
    does not command gets none; not while a fault is behind its node or of the supply, nor while
    the node's supply is out of range.
    """
    if not feeds_load(case.vehicle, load):
        return []
    found = [Verdict(load, "fed", Outcome.NOT_EXERCISED)]
    node = case.vehicle.loads[load].node
    for fuse in case.recording.fuses:
        if load in fuse.loads and fuse.by == "car" and fuse.at_ns >= case.start_ns:
            text = f"its fuse ({fuse.what}) opened without any fault"
            lasts_ns = case.end_ns - fuse.at_ns
            found.append(
                Verdict(load, "fed", Outcome.BROKEN, None, fuse.at_ns, lasts_ns, text, node)
            )
    found += _differences(case, load)
    return [worst(found)]


def _differences(case: Case, load: str) -> Iterator[Verdict]:
    table = case.vehicle.loads[load]
    excused = [*case.cannot(load), *case.lean(table.node)]
    excused += [
        (from_ns, to_ns + AFTERMATH_NS)
        for from_ns, to_ns in case.spans(lambda fault: fault.group in ("node", "output"))
    ]
    excused += [(life.reset_ns, life.boot_end_ns) for life in case.lives[table.node].lives]
    excused = merged(excused)
    got = case.recording.outputs[load]
    for from_ns, to_ns, level in levels(case.command(load), case.end_ns, case.start_ns):
        for start_ns, end_ns in without(from_ns + table.switching_ns, to_ns, excused):
            wrong = [
                (max(a, start_ns), b)
                for a, b, shown in levels(got, end_ns, start_ns)
                if (shown > 0) != (level > 0)
            ]
            for at_ns, until_ns in wrong[:1]:
                wrong_ns = until_ns - at_ns
                was = "got no current though its node switched it on"
                if level <= 0:
                    was = "got current though its node had switched it off"
                text = f"{was}, for {show_duration(wrong_ns)}"
                yield Verdict(
                    load, "fed", Outcome.BROKEN, -wrong_ns, at_ns, wrong_ns, text, table.node
                )
            if level > 0 and not wrong:
                yield Verdict(load, "fed", Outcome.KEPT)
