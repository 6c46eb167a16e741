"""An adapter with a real bus behind it, or any other bus that python-can can open."""

from __future__ import annotations

import queue
import threading
from collections.abc import Mapping
from typing import Any

import can

from linkloss.bus import Frame
from linkloss.bus.messages import message_of
from linkloss.model.problem import BadInput
from linkloss.serve.endpoint import Endpoint

_WAIT_S = 0.1
_MOST = 1000
"""Frames that wait for an adapter that does not take them; what comes then is lost."""
ECHOING = ("udp_multicast",)
"""Interfaces that hand a program what it sent itself: it would go round in circles."""


class AdapterEndpoint(Endpoint):
    """A bus of python-can. What is heard there is handed to the bus, and the other way round.

    ``error_frames`` counts those that the adapter reported.
    """

    def __init__(
        self, name: str, interface: str, channel: str, option: str, more: Mapping[str, Any]
    ) -> None:
        super().__init__(name)
        self.interface, self.channel = interface, channel
        self.error_frames = 0
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
            self.error_frames += 1
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
