"""A program over a pseudo-terminal: at its other end it finds what behaves like an adapter."""

from __future__ import annotations

import os
import select
import threading
import tty

from linkloss.bus import FdFrame, Frame
from linkloss.model.problem import BadInput
from linkloss.serve.adapter_text import AdapterText, frame_text
from linkloss.serve.endpoint import Endpoint

_WAIT_S = 0.02
_MOST = 1 << 16
"""Bytes that wait for a program that does not read; what comes then is lost."""


class SerialLineEndpoint(Endpoint):
    """A pseudo-terminal for one program. Its controller is on the bus while the program has the
    line open.
    """

    def connect(self) -> None:
        """Raises BadInput where there are no pseudo-terminals."""
        try:
            self._master, far = os.openpty()
        except OSError as error:
            raise BadInput.one("linkloss", "--open slcan", f"no pseudo-terminal: {error}") from None
        tty.setraw(far)
        self.path = os.ttyname(far)
        os.close(far)
        os.set_blocking(self._master, False)
        self._text = AdapterText(self.line)
        self._waiting = b""
        self._lock = threading.Lock()
        self._poll = select.poll()
        self._poll.register(self._master, select.POLLIN | select.POLLHUP)

    def disconnect(self) -> None:
        """The terminal is no more."""
        os.close(self._master)

    def read(self) -> None:
        """Answer what the program writes."""
        events = dict(self._poll.poll(_WAIT_S * 1000)).get(self._master, 0)
        if events & select.POLLIN:
            answer = self._text.feed(os.read(self._master, 4096))
            self._write(answer)
        elif events & select.POLLHUP:  # nobody has the line open
            self._text.hang_up()
            self._waiting = b""
            self.closed.wait(_WAIT_S)
        else:
            self._write(b"")

    def deliver(self, frame: Frame) -> None:
        """Write it, if the program reads. The text has no form for CAN FD."""
        if self._text.presence == "off":
            return
        if isinstance(frame, FdFrame):
            self.lose("CAN FD frames were lost: a serial line carries classical ones only")
            return
        self._write(frame_text(frame))

    def how_to_join(self) -> str:
        """The bus that a program opens."""
        return (
            f'can.Bus(interface="slcan", channel="{self.path}", bitrate={self.line.bit_rate},'
            f" sleep_after_open=0)"
        )

    def _write(self, text: bytes) -> None:
        """Write what waits and what is new, as far as the program takes it."""
        with self._lock:
            if len(self._waiting) + len(text) > _MOST:
                self.lose("frames were lost: the program does not read them")
                return
            self._waiting += text
            try:
                if self._waiting:
                    self._waiting = self._waiting[os.write(self._master, self._waiting) :]
            except BlockingIOError:
                pass
