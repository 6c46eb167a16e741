"""Nodes without a table: senders of the message definition that the vehicle file only makes use of.

Whoever builds one node into a car that exists does not describe all the others. A message that the
file uses and that no node of the file sends comes from a log; its sender is added as a node with
``logged = true``, at the end of the cable unless the file says where:

    dbc       BO_ 548 BRAKE_MODULE: 8 ENGINE
    vehicle   cable = ["body"]                 ENGINE is taken as the last node of the cable
              request = "BRAKE_MODULE.BRAKE_PRESSED"
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from linkloss.vehicle.expression import Condition, split_signal
from linkloss.vehicle.messages import MessageInfo
from linkloss.vehicle.tables import NodeTable, VehicleFile

NOBODY = "log"
"""The node of messages for which the message definition names no sender."""

Messages = Mapping[str, MessageInfo]


def with_unlisted(file: VehicleFile, messages: Messages) -> tuple[VehicleFile, Messages]:
    """The file with the nodes that are missing in it, and the messages with a sender each."""
    used = [messages[name] for name in dict.fromkeys(_used(file)) if name in messages]
    lonely = [info for info in used if not any(sender in file.nodes for sender in info.senders)]
    messages = {
        **messages,
        **{info.name: replace(info, senders=(NOBODY,)) for info in lonely if not info.senders},
    }
    senders = {sender for info in messages.values() for sender in info.senders}
    wanted = [messages[info.name].senders[0] for info in lonely]
    wanted += [name for name in _named(file) if name in senders]
    taken = {name.casefold() for name in (*file.nodes, *file.inputs, *file.loads, *file.notices)}
    new = [name for name in dict.fromkeys(wanted) if name.casefold() not in taken]
    if not new:
        return file, messages
    nodes = {
        name: NodeTable.model_validate({"logged": True, "fd": _fd(messages, name)}) for name in new
    }
    home = {sender: info.bus for info in messages.values() for sender in info.senders}
    placed = {name for bus in file.bus.values() for name in bus.cable}
    buses = {}
    for key, bus in file.bus.items():
        last = (name for name in new if name not in placed and home[name] == key)
        buses[key] = bus.model_copy(update={"cable": (*bus.cable, *last)})
    return file.model_copy(update={"nodes": {**file.nodes, **nodes}, "bus": buses}), messages


def _fd(messages: Messages, sender: str) -> bool:
    """Whether a node sends CAN FD frames."""
    return any(info.fd for info in messages.values() if sender in info.senders)


def _named(file: VehicleFile) -> Iterator[str]:
    """The nodes that the file names without a table."""
    for bus in file.bus.values():
        yield from bus.cable
    for table in file.inputs.values():
        yield from table.wired_to


def _used(file: VehicleFile) -> Iterator[str]:
    """The messages that something in the file depends on."""
    for load in file.loads.values():
        yield from load.messages
        for never in load.never:
            yield from _in(never.when)
    for name, request in file.requests.items():
        yield split_signal(name)[0]
        for condition in request.conditions:
            yield from _in(condition)
    for notice in file.notices.values():
        yield split_signal(notice.signal)[0]
    for route in file.routes.values():
        yield route.source_message
        yield route.target_message


def _in(condition: Condition) -> Iterator[str]:
    return (split_signal(name)[0] for name in condition.names if "." in name)
