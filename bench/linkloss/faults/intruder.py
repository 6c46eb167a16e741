"""A controller that does not belong to the vehicle, for faults that put one on the cable."""

from __future__ import annotations

from linkloss.bus import Controller
from linkloss.faults.rig import Rig


def intrude(rig: Rig, what: str, node: str, mailboxes: int) -> Controller:
    """Attach a foreign controller at the place of a node.

    It is named after what it does and where, with a number if several do the same there. From
    bus-off it comes back by itself, as a sender without any scruples does.
    """
    taken = {controller.name for controller in rig.bus.controllers}
    name = f"{what} at {node}"
    number = 2
    while name in taken:
        name = f"{what} {number} at {node}"
        number += 1
    controller = Controller(
        name,
        mailboxes=mailboxes,
        receive_depth=1,
        auto_recovery=True,
        fd=rig.vehicle.fd,
    )
    controller.filters.append((0, 0x1FFF_FFFF, True))  # it does not care what others say
    rig.bus.attach(controller, beside=node)
    return controller
