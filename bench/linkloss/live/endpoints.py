"""Where somebody outside meets the bus: a program over multicast, or an adapter.

An adapter with a real bus behind it, or any other bus that python-can can open.

A place where somebody outside meets the bus: one program, or one real node.

Each has a thread that reads. What it hears goes onto the bus through the line it was given; what
the bus delivers comes by :meth:`Endpoint.deliver`. So frames of an endpoint reach the others only
through the bus.

Programs that take part through python-can's ``udp_multicast``, on this computer only.

An endpoint is a multicast group and a port. Whoever is in the group hears whoever else is, without
the bus: each endpoint is for one program, and the bench says so when it sees a second one. A
program hears what it sends itself, too; python-can's interface has no way to prevent it.

With a hop limit of 0 no datagram leaves the computer (RFC 1112 section 6.1, time to live 0).
"""

from __future__ import annotations

import queue
import socket
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import can
from can.interfaces.udp_multicast.bus import GeneralPurposeUdpMulticastBus
from can.interfaces.udp_multicast.utils import pack_message, unpack_message

from linkloss.bus import FdFrame, Frame
from linkloss.bus.message import frame_of, message_of
from linkloss.clock.wallclock import monotonic_seconds
from linkloss.problem import BadInput
from linkloss.recording import Presence


@dataclass(frozen=True, slots=True)
class Line:
    """What an endpoint may do, from any thread: hand a frame to its controller, switch this on
    and off, and say something to whoever watches. ``fd``: whether the bus knows CAN FD.
    """

    bit_rate: int
    heard: Callable[[Frame], object]
    present: Callable[[Presence], object]
    say: Callable[[str], object]
    fd: bool = False

    def frame_of(self, message: can.Message) -> Frame:
        """The frame that a message stands for. Raises ValueError for one that the bus does not
        know.
        """
        frame = frame_of(message)
        if isinstance(frame, FdFrame) and not self.fd:
            raise ValueError("it is a CAN FD frame, and the bus is one of classical CAN")
        return frame


class Endpoint(ABC):
    """One program or node outside."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.line: Line
        self.lost = 0
        """How many frames did not get through, at the least."""
        self.closed = threading.Event()
        self._thread: threading.Thread | None = None
        self._said: set[str] = set()
        self._gate = threading.Lock()

    def open(self, line: Line) -> None:
        """Begin to listen. Raises BadInput if that cannot be done."""
        self.line = line
        self.connect()
        self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the thread and give everything back. Idempotent."""
        self.closed.set()
        if self._thread is not None:
            self._thread.join(2.0)
            self._thread = None
            with self._gate:
                self.disconnect()

    def take(self, frame: Frame) -> None:
        """The bus has delivered a frame. Whatever happens here is not the bus's concern."""
        with self._gate:
            if self.closed.is_set():
                return
            try:
                self.deliver(frame)
            except Exception as error:  # noqa: BLE001 - whatever a driver raises
                self.lose(f"a frame could not be sent: {error}")

    def lose(self, text: str) -> None:
        """Something did not get through."""
        self.lost += 1
        self.say_once(text)

    def say_once(self, text: str) -> None:
        """Say something that would be true again and again."""
        if text not in self._said:
            self._said.add(text)
            self.line.say(f"{self.name}: {text}")

    def _run(self) -> None:
        try:
            while not self.closed.is_set():
                self.read()
        except Exception as error:  # noqa: BLE001 - whatever a driver raises
            if not self.closed.is_set():
                self.lose(f"is lost: {error}")
                self.line.present("off")

    @abstractmethod
    def connect(self) -> None:
        """Open what lies behind. Raises BadInput."""

    @abstractmethod
    def disconnect(self) -> None:
        """Close it."""

    @abstractmethod
    def read(self) -> None:
        """Hear what there is; return after a fraction of a second at the latest."""

    @abstractmethod
    def deliver(self, frame: Frame) -> None:
        """The bus has delivered a frame; must not wait."""

    @abstractmethod
    def how_to_join(self) -> str:
        """What a program does to take part, in one line."""


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


_WAIT_S = 0.1
_MOST = 1000
"""Frames that wait for an adapter that does not take them; what comes then is lost."""
ECHOING = ("udp_multicast",)
"""Interfaces that hand a program what it sent itself: it would go round in circles."""


class AdapterEndpoint(Endpoint):
    """A bus of python-can. What is heard there is handed to the bus, and the other way round."""

    def __init__(
        self, name: str, interface: str, channel: str, option: str, more: Mapping[str, Any]
    ) -> None:
        super().__init__(name)
        self.interface, self.channel = interface, channel
        self._option = option
        self._more = dict(more)
        self._out: queue.Queue[Frame] = queue.Queue(_MOST)
        self._writer: threading.Thread | None = None

    def connect(self) -> None:
        """Raises BadInput if python-can cannot open the bus."""
        if self.interface in ECHOING:
            text = f"'{self.interface}' hands back what it is sent; expected another interface"
            raise BadInput.one("linkloss", self._option, text)
        try:
            self._bus = can.Bus(interface=self.interface, channel=self.channel, **self._more)
        except Exception as error:  # noqa: BLE001 - whatever a driver raises
            text = f"python-can cannot open '{self.interface}', channel '{self.channel}': {error}"
            raise BadInput.one("linkloss", self._option, text) from None
        self._writer = threading.Thread(target=self._write, name=f"{self.name} out", daemon=True)
        self._writer.start()
        self.line.present("on")

    def disconnect(self) -> None:
        """Close the bus."""
        if self._writer is not None:
            self._writer.join(2.0)
        try:
            self._bus.shutdown()
        except Exception as error:  # noqa: BLE001 - an adapter that was pulled off cannot close
            self.say_once(f"could not be closed: {error}")

    def read(self) -> None:
        """Hear one message."""
        message = self._bus.recv(_WAIT_S)  # is_rx says nothing here: what other programs of this
        if message is None:  # computer send on a SocketCAN interface counts as sent
            return
        if message.is_error_frame:
            self.say_once("the adapter reports error frames on its bus")
            return
        try:
            frame = self.line.frame_of(message)
        except ValueError as error:
            self.say_once(f"a message was left out: {error}")
            return
        self.line.heard(frame)

    def deliver(self, frame: Frame) -> None:
        """Leave it to the thread that writes."""
        try:
            self._out.put_nowait(frame)
        except queue.Full:
            self.lose(f"frames were lost: {_MOST} wait for the adapter already")

    def how_to_join(self) -> str:
        """Where the others are."""
        return f"the programs on {self.interface} {self.channel}"

    def _write(self) -> None:
        while not self.closed.is_set():
            try:
                frame = self._out.get(timeout=_WAIT_S)
            except queue.Empty:
                continue
            try:
                self._bus.send(message_of(frame, 0, self.channel), timeout=_WAIT_S)
            except Exception as error:  # noqa: BLE001 - whatever a driver raises
                if not self.closed.is_set():
                    self.lose(f"a frame could not be sent: {error}")
