"""What no rule judges in a vehicle, and why: a missing line takes no rule away in silence."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from linkloss.judge.messages import senders_of
from linkloss.judge.sensor import shown_signals
from linkloss.model.expression import split_signal
from linkloss.model.loading import Vehicle


@dataclass(frozen=True, slots=True)
class Unjudged:
    """Something that no rule judges, as a vehicle file names it, and the reason; ``allowed`` is
    why the vehicle file says that it need not be (empty: it does not say so).
    """

    what: str
    reason: str
    allowed: str = ""


def unjudged(vehicle: Vehicle, logged: Collection[str] = ()) -> list[Unjudged]:
    """What nobody judges in a vehicle, whatever cases there are. ``logged``: nodes that have no
    program.
    """
    nodes = [name for name in vehicle.nodes if name not in logged]
    return [
        *_messages(vehicle, nodes),
        *_sensors(vehicle, nodes),
        *_nodes(vehicle, nodes),
        *_requests(vehicle, nodes),
        *_loads(vehicle, nodes),
    ]


def _messages(vehicle: Vehicle, nodes: Collection[str]) -> Iterator[Unjudged]:
    for name, info in vehicle.messages.items():
        senders = senders_of(vehicle, info)
        if len(senders) > 1:
            yield Unjudged(name, f"several nodes send it: {', '.join(senders)}")
        elif senders and senders[0] in nodes and not info.period_ns:
            yield Unjudged(name, "it has no cycle time in the DBC (GenMsgCycleTime)")


def _sensors(vehicle: Vehicle, nodes: Collection[str]) -> Iterator[Unjudged]:
    judged = {shown.input for shown in shown_signals(vehicle)}
    for name, table in vehicle.inputs.items():
        if isinstance(table.logged, str) and name not in judged:
            message, _ = vehicle.signal(table.logged)
            senders = senders_of(vehicle, message)
            if len(senders) == 1 and senders[0] in nodes:
                reason = f"'{senders[0]}' sends it, and input '{name}' is not wired to that node"
                yield Unjudged(table.logged, reason)


def _nodes(vehicle: Vehicle, nodes: Collection[str]) -> Iterator[Unjudged]:
    for name in nodes:
        if vehicle.nodes[name].status is None:
            yield Unjudged(f"status of {name}", "the node declares no 'status'")
        if vehicle.nodes[name].watchdog is None:
            yield Unjudged(f"watchdog of {name}", "the node declares no 'watchdog'")


def _requests(vehicle: Vehicle, nodes: Collection[str]) -> Iterator[Unjudged]:
    """The signals that ask for a load, and of which nobody says what asks for them; a notice has
    a rule of its own.
    """
    notices = {notice.signal for notice in vehicle.notices.values()}
    users: dict[str, list[str]] = {}
    for name, load in vehicle.loads.items():
        for reference in load.request.names if load.request is not None else ():
            sender = vehicle.sender(split_signal(reference)[0])
            if reference not in vehicle.requests and reference not in notices and sender in nodes:
                users.setdefault(reference, []).append(name)
    for reference, loads in users.items():
        reason = f'it asks for {", ".join(loads)}, and no [requests."{reference}"] says when'
        yield Unjudged(reference, reason)


def _loads(vehicle: Vehicle, nodes: Collection[str]) -> Iterator[Unjudged]:
    """What a load declares and no rule looks at, and loads whose inputs nobody can tell."""
    for name, load in vehicle.loads.items():
        if load.node not in nodes:
            continue
        if load.request is not None and vehicle.asking_signal(load) is None:
            reason = "no single signal asks for it: nothing compares it with the inputs"
            yield Unjudged(f"inputs of {name}", reason)
