"""How long a frame takes through an adapter, measured where the adapter can be asked.

An adapter behind a serial line answers a question for its version: there and back, with the node's
cable idle. What comes on top of that is the cable itself: the frame, and one that is on it already.
Any other adapter tells nothing, and the longest way that the user states counts.
"""

from __future__ import annotations

import can

from linkloss.bus.bits import most_fd_bits
from linkloss.bus.frame import longest_bits
from linkloss.clock.wallclock import Wall
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo

_TIMES = 5
_PATIENCE_S = 0.5


class AdapterWay:
    """The longest one way through an adapter, in ns."""

    def __init__(self, vehicle: Vehicle, node: str, stated_ns: int) -> None:
        self._wall = Wall()
        self._stated_ns = stated_ns
        self._cable_ns = 2 * longest_frame_ns(vehicle, node)
        self._trip_ns = 0
        self.measured = False
        """Whether the adapter was asked; otherwise the stated way counts."""

    @property
    def worst_ns(self) -> int:
        """What a frame takes at most, from its hand-over to its end on the node's cable."""
        return self._trip_ns + self._cable_ns if self.measured else self._stated_ns

    def measure(self, bus: can.BusABC) -> None:
        """Ask an adapter that nobody reads at this time; the longest trip of the last times counts,
        there and back for one way.
        """
        ask = getattr(bus, "get_version", None)
        if ask is None:
            return
        worst_ns = 0
        for _ in range(_TIMES):
            sent_ns = self._wall.now_ns()
            answer = ask(_PATIENCE_S)
            if answer is None or answer[0] is None:
                return
            worst_ns = max(worst_ns, self._wall.now_ns() - sent_ns)
        self._trip_ns, self.measured = worst_ns, True


def longest_frame_ns(vehicle: Vehicle, node: str) -> int:
    """The longest frame on the bus of a node, with every stuff bit it can have, in ns. A CAN FD
    frame counts as if it kept the slow rate throughout, which its sender may choose.
    """
    here = vehicle.messages_on(vehicle.file.bus_of(node)).values()
    bits = max((_most_bits(message) for message in here), default=160)
    return round(bits * 1e9 / vehicle.bus_of(node).bit_rate)


def _most_bits(message: MessageInfo) -> int:
    if message.fd:
        return most_fd_bits(message.length)
    return longest_bits(min(8, message.length), message.extended)
