"""Programs that take part through python-can's ``udp_multicast``, on this computer only.

An endpoint is a multicast group and a port. Whoever is in the group hears whoever else is, without
the bus: each endpoint is for one program, and the bench says so when it sees a second one. A
program hears what it sends itself, too; python-can's interface has no way to prevent it.

With a hop limit of 0 no datagram leaves the computer (RFC 1112 section 6.1, time to live 0).
"""

from __future__ import annotations

import socket
from pathlib import Path

import can
from can.interfaces.udp_multicast.bus import GeneralPurposeUdpMulticastBus
from can.interfaces.udp_multicast.utils import pack_message, unpack_message

from linkloss.bus import Frame
from linkloss.bus.messages import message_of
from linkloss.model.problem import BadInput
from linkloss.serve.endpoint import Endpoint
from linkloss.wallclock import monotonic_seconds

GROUP, FIRST_PORT = "239.255.76.76", 47_310
"""In the range for local use (RFC 2365 section 6.1); each endpoint has a port of its own."""
_LOOK_EVERY_S = 0.5
_SOCKETS = Path("/proc/net/udp")


class UdpEndpoint(Endpoint):
    """A group and a port for one program."""

    def __init__(self, name: str, port: int, group: str = GROUP) -> None:
        super().__init__(name)
        self.group, self.port = group, port
        self._sources: set[str] = set()
        self._own: object = None
        self._looked_s = 0.0

    def connect(self) -> None:
        """Raises BadInput where there is no multicast."""
        try:
            self._ear = GeneralPurposeUdpMulticastBus(self.group, self.port, 0)
            # Another socket to send from: programs send from the port itself, and what comes back
            # from here must be told from what they send.
            self._mouth = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            self._mouth.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 0)
            self._mouth.connect((self.group, self.port))
            self._mouth.setblocking(False)
        except (can.CanError, OSError) as error:
            text = f"no multicast with group {self.group}, port {self.port}: {error}"
            raise BadInput.one("linkloss", "--open udp", text) from None
        self._own = self._mouth.getsockname()
        self.line.present("on")

    def disconnect(self) -> None:
        """Leave the group."""
        self._ear.shutdown()
        self._mouth.close()

    def read(self) -> None:
        """Hear one datagram."""
        self._look_for_a_second_program()
        got = self._ear.recv(0.1)
        if got is None or got[1] == self._own:
            return
        try:
            frame = self.line.frame_of(unpack_message(got[0], check=True))
        except Exception as error:  # noqa: BLE001 - anybody may send anything to a port
            self.say_once(f"a datagram that is no CAN frame of this bus was left out: {error}")
            return
        self._sources.add(str(got[1][0]))
        self.line.heard(frame)

    def deliver(self, frame: Frame) -> None:
        """Send it to the group; a full buffer of the system loses it, as python-can warns."""
        message = message_of(frame, 0, None)
        try:
            self._mouth.send(pack_message(message))
        except BlockingIOError:
            self.lose("frames were lost: the buffer of the system is full")

    def how_to_join(self) -> str:
        """The bus that a program opens."""
        return (
            f'can.Bus(interface="udp_multicast", channel="{self.group}", port={self.port},'
            f" hop_limit=0)"
        )

    def _look_for_a_second_program(self) -> None:
        """Several may share a group and a port; the bus is not between them."""
        now_s = monotonic_seconds()
        if now_s - self._looked_s < _LOOK_EVERY_S:
            return
        self._looked_s = now_s
        if max(len(self._sources), _listeners(self.port) - 1) > 1:
            self.say_once(
                "two programs share this endpoint and hear each other without the bus;"
                " give each one of its own (--open udp twice)"
            )


def _listeners(port: int) -> int:
    """How many sockets of this computer are bound to a UDP port; 0 where that cannot be seen."""
    try:
        lines = _SOCKETS.read_text(encoding="ascii").splitlines()[1:]
    except OSError:
        return 0
    return sum(line.split()[1].endswith(f":{port:04X}") for line in lines)
