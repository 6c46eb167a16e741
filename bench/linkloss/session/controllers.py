"""The controller of a node, with the properties that the vehicle file gives it."""

from __future__ import annotations

from linkloss.bus import Controller
from linkloss.bus.controller import Filter
from linkloss.model.controllers import BASE_MASK, EXTENDED_MASK, FilterTable
from linkloss.model.loading import Vehicle
from linkloss.session.outside import MAILBOXES


def make_controller(
    vehicle: Vehicle, name: str, *, logged: bool = False, real: bool = False
) -> Controller:
    """A node's controller, not yet on a bus.

    :param logged: its frames come out of a log: they are sent until they are, whatever the
        program of the node would have asked for.
    :param real: its frames come from a real node, whose own mailboxes they have left already.
    """
    table = vehicle.nodes[name]
    return Controller(
        name,
        mailboxes=MAILBOXES if real else table.mailboxes,
        order="fifo" if real else table.mailbox_order,
        receive_depth=table.receive_depth,
        auto_recovery=table.auto_recovery or logged,
        listen_only=table.listen_only and not logged,
        single_shot=table.single_shot and not logged,
        fd=table.fd,
        overwrites=table.receive_overrun == "overwrite",
        filters=[_filter(vehicle, entry) for entry in table.filters],
    )


def _filter(vehicle: Vehicle, entry: FilterTable) -> Filter:
    if entry.message is not None:
        message = vehicle.messages[entry.message]
        mask = EXTENDED_MASK if message.extended else BASE_MASK
        return message.identifier, mask, message.extended
    assert entry.id is not None
    most = EXTENDED_MASK if entry.extended else BASE_MASK
    return entry.id, most if entry.mask is None else entry.mask, entry.extended
