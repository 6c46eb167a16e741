"""The rules of nodes and messages as senders: which there are in a vehicle, and their verdicts."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from linkloss.judge.case import Case
from linkloss.judge.messages import cyclic, judge_cycle, judge_foreign
from linkloss.judge.quiet import judge_quiet
from linkloss.judge.sensor import judge_sensor, shown_signals
from linkloss.judge.verdict import Verdict
from linkloss.model.loading import Vehicle


def judge_senders(case: Case) -> Iterator[Verdict]:
    """The verdicts on all messages, and on all nodes as their senders."""
    for message, node in cyclic(case.vehicle):
        if case.simulated(node):
            yield from judge_cycle(case, message)
    for shown in shown_signals(case.vehicle):
        if case.simulated(shown.node):
            yield from judge_sensor(case, shown)
    for node in filter(case.simulated, case.vehicle.nodes):
        yield from judge_foreign(case, node)
        yield from judge_quiet(case, node)


def sender_rules(vehicle: Vehicle, logged: Collection[str] = ()) -> Iterator[tuple[str, str]]:
    """Every (subject, rule) that :func:`judge_senders` speaks of. ``logged``: nodes that have no
    program.
    """
    yield from ((message, "cycle") for message, node in cyclic(vehicle) if node not in logged)
    for shown in shown_signals(vehicle):
        if shown.node not in logged:
            yield shown.reference, "sensor"
    for node in vehicle.nodes:
        if node not in logged:
            yield from ((node, "foreign"), (node, "quiet recovery"))
