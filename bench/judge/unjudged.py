"""What no rule judges in a vehicle, and why: a missing line takes no rule away in silence."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bench.judge.messages import senders_of
from bench.judge.sensor import shown_signals
from bench.model.loading import Vehicle
from bench.model.vehicle import LoadTable


@dataclass(frozen=True, slots=True)
class Unjudged:
    """Something that no rule judges, as a vehicle file names it, and the reason."""

    what: str
    reason: str


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
