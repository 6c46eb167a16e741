"""A program on a pseudo-terminal whose other end behaves like an adapter.

It uses the text protocol of serial-line CAN adapters.

Lines end with a carriage return. The program sends ``S6`` (bit rate), ``O`` and ``L`` (open, normal
or listen-only), ``C`` (close), frames, and queries. The answer is a carriage return, or a bell for
an error. A frame is the same text both ways:

    t1232AABB        base, identifier 123, two bytes    r1232        the same as a remote frame
    T000001232AABB   the same, extended                 R000001232   and as a remote frame

Sources: ``can.interfaces.slcan`` of python-can 4.6, which the tests run against; the answers to
``V``, ``N``, ``F`` and ``Z``, and the answer ``z`` or ``Z`` to a frame, are from memory.
"""

from __future__ import annotations

import os
import select
import threading
import tty

from linkloss.bus import FdFrame, Frame
from linkloss.live.endpoints import Endpoint, Line
from linkloss.problem import BadInput
from linkloss.recording import Presence

OK, NO = b"\r", b"\a"
BIT_RATES = {
    "S0": 10_000, "S1": 20_000, "S2": 50_000, "S3": 100_000, "S4": 125_000, "S5": 250_000,
    "S6": 500_000, "S7": 750_000, "S8": 1_000_000, "S9": 83_300,
}  # fmt: skip
_LONGEST = 64
"""Characters; a longer line is noise."""


class AdapterText:
    """The adapter's side of the protocol."""

    def __init__(self, line: Line) -> None:
        self.presence: Presence = "off"
        self._line = line
        self._text = bytearray()
        self._wrong_rate = ""

    def feed(self, received: bytes) -> bytes:
        """Read what the program wrote, and return the answer."""
        answer = b""
        for value in received:
            if value == 0x0D:
                answer += self._command(self._text.decode("ascii", "replace"))
                self._text.clear()
            elif len(self._text) < _LONGEST:
                self._text.append(value)
        return answer

    def hang_up(self) -> None:
        """The program has closed the line."""
        self._text.clear()
        self._wrong_rate = ""
        self._set_presence("off")

    def _command(self, text: str) -> bytes:
        if text == "":
            return OK
        kind = text[0]
        if kind in "tTrR":
            return self._frame(text)
        if kind == "S":
            return self._bit_rate(text)
        if text in ("O", "L"):
            return self._open(text)
        if text == "C":
            self._set_presence("off")
            return OK
        answers = {"V": b"V1010\r", "N": b"N0001\r", "F": b"F00\r", "Z0": OK}
        return answers.get(text, NO)

    def _bit_rate(self, text: str) -> bytes:
        wanted = BIT_RATES.get(text)
        if wanted is None or self.presence != "off":
            return NO
        own = self._line.bit_rate
        self._wrong_rate = "" if wanted == own else f"{wanted:,} bit/s, and the bus runs at {own:,}"
        return OK if not self._wrong_rate else NO

    def _open(self, text: str) -> bytes:
        if self._wrong_rate:
            self._line.say(f"a program asks for {self._wrong_rate}: it takes no part")
            return NO
        self._set_presence("on" if text == "O" else "listen")
        return OK

    def _set_presence(self, presence: Presence) -> None:
        if presence != self.presence:
            self.presence = presence
            self._line.present(presence)

    def _frame(self, text: str) -> bytes:
        frame = parse_frame(text)
        if frame is None or self.presence != "on":
            return NO
        self._line.heard(frame)
        return b"Z\r" if frame.extended else b"z\r"


def parse_frame(text: str) -> Frame | None:
    """The frame of a line; None if the line is malformed."""
    extended, remote = text[0] in "TR", text[0] in "rR"
    digits = 8 if extended else 3
    head, size, data = text[1 : 1 + digits], text[1 + digits : 2 + digits], text[2 + digits :]
    if len(head) != digits or not (head + size + data).isalnum():
        return None
    try:
        length = int(size)
        content = bytes.fromhex(data)
        if len(content) != (0 if remote else length):
            return None
        return Frame(int(head, 16), content, extended, remote, length if remote else None)
    except ValueError:
        return None


def frame_text(frame: Frame) -> bytes:
    """A frame as a line for the program."""
    kind = ("tT", "rR")[frame.remote][frame.extended]
    identifier = f"{frame.identifier:08X}" if frame.extended else f"{frame.identifier:03X}"
    return f"{kind}{identifier}{min(frame.dlc, 8)}{frame.data.hex().upper()}\r".encode("ascii")


_WAIT_S = 0.02
_MOST = 1 << 16
"""The most bytes that wait for a program that does not read; further frames are lost."""


class SerialLineEndpoint(Endpoint):
    """A pseudo-terminal for one program. Its controller is on the bus while the program has the
    line open.
    """

    def connect(self) -> None:
        """Open a pseudo-terminal.

        :raises BadInput: if there is none.
        """
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
        """Close the terminal."""
        os.close(self._master)

    def read(self) -> None:
        """Answer what the program writes."""
        events = dict(self._poll.poll(_WAIT_S * 1000)).get(self._master, 0)
        if events & select.POLLIN:
            answer = self._text.feed(os.read(self._master, 4096))
            self._write(answer)
        elif events & select.POLLHUP:  # no program has the line open
            self._text.hang_up()
            self._waiting = b""
            self.closed.wait(_WAIT_S)
        else:
            self._write(b"")

    def deliver(self, frame: Frame) -> None:
        """Write a frame, if the program has the line open. The protocol cannot express CAN FD."""
        if self._text.presence == "off":
            return
        if isinstance(frame, FdFrame):
            self.lose("CAN FD frames were lost: a serial line carries classical ones only")
            return
        self._write(frame_text(frame))

    def how_to_join(self) -> str:
        """The ``can.Bus`` that a program opens."""
        return (
            f'can.Bus(interface="slcan", channel="{self.path}", bitrate={self.line.bit_rate},'
            f" sleep_after_open=0)"
        )

    def _write(self, text: bytes) -> None:
        """Write what waits and what is new, as far as the program accepts it."""
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
