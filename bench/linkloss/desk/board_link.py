"""The serial line to the I/O board, in a thread of its own.

The thread notes the clock right before it writes and right after it has read: a machine that is
busy makes round trips longer and spans wider, and never wrong.
"""

from __future__ import annotations

import os
import select
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Self, TypeVar

from linkloss.clock.wallclock import Wall
from linkloss.desk.io_board import Doubt, Felt, IoBoard
from linkloss.problem import BadInput, ensure_linux

_TURN_S = 0.004
_GREETING_S = 6.0
"""Many boards restart when their serial line is opened, and wait for a program for up to 2 s."""
T = TypeVar("T")


class BoardLink:
    """An open serial line with an I/O board; a context manager that closes it.

    Whoever closes it, or dies, stops the heartbeat: the board goes to rest by itself.

    :param path: the serial line, such as ``/dev/ttyUSB0``.
    :raises BadInput: if it cannot be opened, or no I/O board answers.
    """

    def __init__(self, path: str, greeting_s: float = _GREETING_S) -> None:
        ensure_linux("--io", "for a serial line")
        self.path = path
        self._wall = Wall()
        self._board = IoBoard()
        self._gate = threading.Lock()
        self._changed = threading.Condition(self._gate)
        self._closing = threading.Event()
        self._lost = ""
        self._waiting = b""
        self._line = _opened(path)
        self._thread = threading.Thread(target=self._run, name="I/O board", daemon=True)
        self._thread.start()
        if not self.wait(lambda board: board.alive, greeting_s):
            self.close()
            text = f"no I/O board answers at {path}"
            text += f" ({self._lost})" if self._lost else "; is its sketch flashed?"
            raise BadInput.one("linkloss", "--io", text)

    def close(self) -> None:
        """End the thread and close the line. Idempotent."""
        self._closing.set()
        self._thread.join(2.0)
        if self._line >= 0:
            os.close(self._line)
            self._line = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def lost(self) -> str:
        """Why the line is gone; empty while it is there."""
        return self._lost

    def now_ns(self) -> int:
        """The bench's clock that all spans refer to, in ns."""
        return self._wall.now_ns()

    def with_board(self, work: Callable[[IoBoard], T]) -> T:
        """Do something with the board's state, while nothing else does."""
        with self._gate:
            return work(self._board)

    def wait(self, holds: Callable[[IoBoard], bool], longest_s: float) -> bool:
        """Wait until something holds of the board; False if it does not within this time, or the
        line is gone.
        """
        with self._changed:
            self._changed.wait_for(
                lambda: bool(self._lost) or holds(self._board), timeout=longest_s
            )
            return not self._lost and holds(self._board)

    def take(self) -> tuple[list[Felt], list[Doubt]]:
        """What was felt, and what puts it in doubt, since the last call."""
        with self._gate:
            doubts, self._board.doubts = self._board.doubts, []
            return list(self._board.take_felt()), doubts

    def _run(self) -> None:
        poll = select.poll()
        poll.register(self._line, select.POLLIN)
        why = ""
        while not why and not self._closing.is_set():
            try:
                why = self._turn(poll)
            except OSError as error:
                why = error.strerror or str(error)
        with self._changed:
            self._lost = why
            self._changed.notify_all()

    def _turn(self, poll: select.poll) -> str:
        """Read what has come and write what is due. Return why the line is gone, if it is."""
        events = dict(poll.poll(_TURN_S * 1000)).get(self._line, 0)
        if events & select.POLLIN:
            data = os.read(self._line, 4096)
            with self._changed:
                self._board.receive(data, self._wall.now_ns())
                self._changed.notify_all()
        elif events:
            return "its serial line was unplugged"
        with self._gate:
            self._waiting += self._board.output(self._wall.now_ns())
        if self._waiting:
            with suppress(BlockingIOError):
                self._waiting = self._waiting[os.write(self._line, self._waiting) :]
        return ""


def _opened(path: str) -> int:
    """The serial line, raw, at the board's speed. Raises BadInput."""
    import termios  # not on every system
    import tty

    if not Path(path).exists():
        text = f"there is no '{path}'; expected the serial line of the I/O board"
        raise BadInput.one("linkloss", "--io", f"{text}, such as /dev/ttyUSB0")
    try:
        line = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError as error:
        raise BadInput.one("linkloss", "--io", f"{path}: {error.strerror}") from None
    try:
        tty.setraw(line)
        settings = termios.tcgetattr(line)
        settings[4] = settings[5] = termios.B115200
        termios.tcsetattr(line, termios.TCSANOW, settings)
    except termios.error as error:
        os.close(line)
        text = f"{path} is no serial line: {error.args[-1]}"
        raise BadInput.one("linkloss", "--io", text) from None
    return line
