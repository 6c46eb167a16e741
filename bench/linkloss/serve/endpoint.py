"""A place where somebody outside meets the bus: one program, or one real node.

Each has a thread that reads. What it hears goes onto the bus through the line it was given; what
the bus delivers comes by :meth:`Endpoint.deliver`. So frames of an endpoint reach the others only
through the bus.
"""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass

import can

from linkloss.bus import FdFrame, Frame
from linkloss.bus.messages import frame_of
from linkloss.outside import Presence


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
