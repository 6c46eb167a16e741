"""What the rules of nodes and messages judge in a vehicle, and what they cannot, and why."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from bench.judge.messages import cyclic, judge_cycle, judge_foreign, senders_of
from bench.judge.quiet import judge_quiet
from bench.judge.sensor import judge_sensor, shown_signals
from bench.judge.service import Judged
from bench.judge.verdict import Verdict
from bench.model.loading import Vehicle
from bench.model.vehicle import LoadTable


@dataclass(frozen=True, slots=True)
class Unjudged:
    """Something that no rule judges, as a vehicle file names it, and the reason."""

    what: str
    reason: str


def judge_messages(case: Judged) -> Iterator[Verdict]:
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


def declared_rules(vehicle: Vehicle, logged: Collection[str] = ()) -> Iterator[tuple[str, str]]:
    """Every (subject, rule) that :func:`judge_messages` speaks of. ``logged``: nodes that have no
    program.
    """
    yield from ((message, "cycle") for message, node in cyclic(vehicle) if node not in logged)
    for shown in shown_signals(vehicle):
        if shown.node not in logged:
            yield shown.reference, "sensor"
    for node in vehicle.nodes:
        if node not in logged:
            yield from ((node, "foreign"), (node, "quiet recovery"))


def unjudged(vehicle: Vehicle) -> list[Unjudged]:
    """What nobody judges in a vehicle: a missing line takes no rule away in silence."""
    return [*_messages(vehicle), *_sensors(vehicle), *_nodes(vehicle), *_requests(vehicle)]


def _messages(vehicle: Vehicle) -> Iterator[Unjudged]:
    for name, info in vehicle.messages.items():
        senders = senders_of(vehicle, info)
        if len(senders) > 1:
            yield Unjudged(name, f"several nodes send it: {', '.join(senders)}")
        elif senders and not info.period_ns:
            yield Unjudged(name, "it has no cycle time in the DBC (GenMsgCycleTime)")


def _sensors(vehicle: Vehicle) -> Iterator[Unjudged]:
    judged = {shown.input for shown in shown_signals(vehicle)}
    for name, table in vehicle.inputs.items():
        if isinstance(table.logged, str) and name not in judged:
            message, _ = vehicle.signal(table.logged)
            senders = senders_of(vehicle, message)
            if len(senders) == 1:
                reason = f"'{senders[0]}' sends it, and input '{name}' is not wired to that node"
                yield Unjudged(table.logged, reason)


def _nodes(vehicle: Vehicle) -> Iterator[Unjudged]:
    for name, table in vehicle.nodes.items():
        if table.status is None:
            yield Unjudged(f"status of {name}", "the node declares no 'status'")
        if table.watchdog is None:
            yield Unjudged(f"watchdog of {name}", "the node declares no 'watchdog'")


def _requests(vehicle: Vehicle) -> Iterator[Unjudged]:
    """The signals that ask for a load, and of which nobody says what asks for them."""
    users: dict[str, list[str]] = {}
    for name, load in vehicle.loads.items():
        for reference in _references(load):
            if reference not in vehicle.requests:
                users.setdefault(reference, []).append(name)
    for reference, loads in users.items():
        reason = f'it asks for {", ".join(loads)}, and no [requests."{reference}"] says when'
        yield Unjudged(reference, reason)


def _references(load: LoadTable) -> tuple[str, ...]:
    return () if load.request is None else (load.request,)
