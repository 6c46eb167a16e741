"""Where others connect to the bus: one program over multicast, or one adapter.

An adapter has a real bus behind it; any other bus that python-can can open will do, too.

Each endpoint has a thread that reads. What it hears goes onto the bus through its :class:`Line`;
what the bus delivers comes through :meth:`Endpoint.deliver`. So the frames of an endpoint reach the
others only through the bus.

Programs on this computer take part through python-can's ``udp_multicast``.

Such an endpoint is a multicast group and a port. All programs in a group hear each other without
the bus, so each endpoint is for one program, and the bench says so when it sees a second one. A
program also hears its own frames; python-can's interface has no way to prevent it.

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
from typing import Any, NamedTuple

import can
from can.interfaces.udp_multicast.bus import GeneralPurposeUdpMulticastBus
from can.interfaces.udp_multicast.utils import pack_message, unpack_message

from linkloss.bus import FdFrame, Frame
from linkloss.bus.message import frame_of, message_of
from linkloss.clock.wallclock import Wall, monotonic_seconds
from linkloss.problem import BadInput
from linkloss.recording import Presence


@dataclass(frozen=True, slots=True)
class Line:
    """What an endpoint may do, from any thread: hand a frame to its controller, switch the
    controller on and off, and show a text to the user. ``bit_rate`` is in bit/s; ``fd``: whether
    the bus is for CAN FD.
    """

    bit_rate: int
    heard: Callable[[Frame], object]
    present: Callable[[Presence], object]
    say: Callable[[str], object]
    fd: bool = False

    def frame_of(self, message: can.Message) -> Frame:
        """The frame of a message.

        :raises ValueError: for a frame that the bus cannot carry.
        """
        frame = frame_of(message)
        if isinstance(frame, FdFrame) and not self.fd:
            raise ValueError("it is a CAN FD frame, and the bus is one of classical CAN")
        return frame


class Endpoint(ABC):
    """The connection of one program or real node."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.line: Line
        self.lost = 0
        """At least this many frames did not get through."""
        self.closed = threading.Event()
        self._thread: threading.Thread | None = None
        self._said: set[str] = set()
        self._gate = threading.Lock()

    def open(self, line: Line) -> None:
        """Begin to listen.

        :raises BadInput: if the endpoint cannot be opened.
        """
        self.line = line
        self.connect()
        self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the thread and release everything. Idempotent."""
        self.closed.set()
        if self._thread is not None:
            self._thread.join(2.0)
            self._thread = None
            with self._gate:
                self.disconnect()

    def take(self, frame: Frame) -> None:
        """Pass on a frame that the bus has delivered. An error here does not affect the bus."""
        with self._gate:
            if self.closed.is_set():
                return
            try:
                self.deliver(frame)
            except Exception as error:  # noqa: BLE001 - whatever a driver raises
                self.lose(f"a frame could not be sent: {error}")

    def lose(self, text: str) -> None:
        """Count a frame that did not get through, and say why."""
        self.lost += 1
        self.say_once(text)

    def say_once(self, text: str) -> None:
        """Say something only the first time."""
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
        """Open the connection.

        :raises BadInput: if that fails.
        """

    @abstractmethod
    def disconnect(self) -> None:
        """Close the connection."""

    @abstractmethod
    def read(self) -> None:
        """Read what has come, and return within a fraction of a second."""

    @abstractmethod
    def deliver(self, frame: Frame) -> None:
        """Send a frame that the bus has delivered. Must not wait."""

    @abstractmethod
    def how_to_join(self) -> str:
        """How a program takes part, in one line."""


GROUP, FIRST_PORT = "239.255.76.76", 47_310
"""In the range for local use (RFC 2365 section 6.1); each endpoint has its own port."""
_LOOK_EVERY_S = 0.5
_SOCKETS = Path("/proc/net/udp")


class UdpEndpoint(Endpoint):
    """A multicast group and a port for one program."""

    def __init__(self, name: str, port: int, group: str = GROUP) -> None:
        super().__init__(name)
        self.group, self.port = group, port
        self._sources: set[str] = set()
        self._own: object = None
        self._looked_s = 0.0

    def connect(self) -> None:
        """Join the group.

        :raises BadInput: if there is no multicast.
        """
        try:
            self._receiver = GeneralPurposeUdpMulticastBus(self.group, self.port, 0)
            # Send from another socket: programs send from the port itself, and frames from here
            # that come back must be distinguished from theirs.
            self._sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            self._sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 0)
            self._sender.connect((self.group, self.port))
            self._sender.setblocking(False)
        except (can.CanError, OSError) as error:
            text = f"no multicast with group {self.group}, port {self.port}: {error}"
            raise BadInput.one("linkloss", "--open udp", text) from None
        self._own = self._sender.getsockname()
        self.line.present("on")

    def disconnect(self) -> None:
        """Leave the group."""
        self._receiver.shutdown()
        self._sender.close()

    def read(self) -> None:
        """Read one datagram."""
        self._look_for_a_second_program()
        got = self._receiver.recv(0.1)
        if got is None or got[1] == self._own:
            return
        try:
            frame = self.line.frame_of(unpack_message(got[0], check=True))
        except Exception as error:  # noqa: BLE001 - anyone may send anything to a port
            self.say_once(f"a datagram that is not a CAN frame of this bus was left out: {error}")
            return
        self._sources.add(str(got[1][0]))
        self.line.heard(frame)

    def deliver(self, frame: Frame) -> None:
        """Send a frame to the group. If the system's buffer is full, the frame is lost, as
        python-can warns.
        """
        message = message_of(frame, 0, None)
        try:
            self._sender.send(pack_message(message))
        except BlockingIOError:
            self.lose("frames were lost: the buffer of the system is full")

    def how_to_join(self) -> str:
        """The ``can.Bus`` that a program opens."""
        return (
            f'can.Bus(interface="udp_multicast", channel="{self.group}", port={self.port},'
            f" hop_limit=0)"
        )

    def _look_for_a_second_program(self) -> None:
        """Programs that share a group and a port hear each other without the bus."""
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
    """How many sockets of this computer are bound to a UDP port; 0 if that cannot be found out."""
    try:
        lines = _SOCKETS.read_text(encoding="ascii").splitlines()[1:]
    except OSError:
        return 0
    return sum(line.split()[1].endswith(f":{port:04X}") for line in lines)


_WAIT_S = 0.1
_MOST = 1000
"""The most frames that wait for an adapter that does not take them; further ones are lost."""
ECHOING = ("udp_multicast",)
"""Interfaces that return a program's own frames: those would circulate for ever."""


def open_adapter(interface: str, channel: str, option: str, more: Mapping[str, Any]) -> can.BusABC:
    """A python-can bus, opened with these options; ``option`` is what names it on the command line.

    :raises BadInput: if python-can cannot open it, or it would return what it is sent.
    """
    if interface in ECHOING:
        text = f"'{interface}' hands back what it is sent; expected another interface"
        raise BadInput.one("linkloss", option, text)
    try:
        return can.Bus(interface=interface, channel=channel, **more)
    except Exception as error:  # noqa: BLE001 - whatever a driver raises
        text = f"python-can cannot open '{interface}', channel '{channel}': {error}"
        raise BadInput.one("linkloss", option, text) from None


class Sent(NamedTuple):
    """A frame that an adapter was handed between two instants of real time, in ns."""

    frame: Frame
    from_ns: int
    to_ns: int


class AdapterEndpoint(Endpoint):
    """A python-can bus. What is heard there goes onto the simulated bus, and the other way
    round.
    """

    def __init__(
        self,
        name: str,
        interface: str,
        channel: str,
        option: str,
        more: Mapping[str, Any],
        bus: can.BusABC | None = None,
    ) -> None:
        """``bus``: one that is open already, and stays open."""
        super().__init__(name)
        self._given = bus
        self.on_sent: Callable[[Sent], object] = lambda _: None
        """Told of each frame that was handed to the adapter, in order, in the thread that does."""
        self.interface, self.channel = interface, channel
        self._option = option
        self.options = dict(more)
        """What ``can.Bus`` is given besides interface and channel."""
        self._out: queue.Queue[Frame] = queue.Queue(_MOST)
        self._wall = Wall()
        self._writer: threading.Thread | None = None

    def connect(self) -> None:
        """Open the bus.

        :raises BadInput: if python-can cannot open it.
        """
        self._bus = self._given or open_adapter(
            self.interface, self.channel, self._option, self.options
        )
        self._writer = threading.Thread(target=self._write, name=f"{self.name} out", daemon=True)
        self._writer.start()
        self.line.present("on")

    def disconnect(self) -> None:
        """Close the bus."""
        if self._writer is not None:
            self._writer.join(2.0)
        if self._given is not None:
            return
        try:
            self._bus.shutdown()
        except Exception as error:  # noqa: BLE001 - an unplugged adapter cannot close
            self.say_once(f"could not be closed: {error}")

    def read(self) -> None:
        """Read one message."""
        message = self._bus.recv(_WAIT_S)  # is_rx does not help here: a frame from another program
        if message is None:  # on a SocketCAN interface of this computer counts as sent
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
        """Queue a frame for the thread that writes."""
        try:
            self._out.put_nowait(frame)
        except queue.Full:
            self.lose(f"frames were lost: {_MOST} wait for the adapter already")

    def how_to_join(self) -> str:
        """Where the other programs are."""
        return f"the programs on {self.interface} {self.channel}"

    def _write(self) -> None:
        while not self.closed.is_set():
            try:
                frame = self._out.get(timeout=_WAIT_S)
            except queue.Empty:
                continue
            from_ns = self._wall.now_ns()
            try:
                self._bus.send(message_of(frame, 0, self.channel), timeout=_WAIT_S)
                self.on_sent(Sent(frame, from_ns, self._wall.now_ns()))
            except Exception as error:  # noqa: BLE001 - whatever a driver raises
                if not self.closed.is_set():
                    self.lose(f"a frame could not be sent: {error}")
