"""How bright an output is: at once, or faded up and down in steps."""

from __future__ import annotations

from linkloss_nodes.api import MS, Board, Timer

STEP_NS = 10 * MS
"""Finer steps nobody sees."""


class Shine:
    """The level of one pin, 0 to 1. A fade over the whole range takes ``up_ns`` or ``down_ns``
    (0: none), a shorter one its share; its first step comes at once.

    ``level`` is what was written last, ``written`` how many times something was.
    """

    def __init__(self, board: Board, pin: str, up_ns: int = 0, down_ns: int = 0) -> None:
        self._board = board
        self._pin = pin
        self._up_ns = up_ns
        self._down_ns = down_ns
        self._target = 0.0
        self._timer: Timer | None = None
        self.level = 0.0
        self.written = 0

    def to(self, target: float) -> None:
        """Go to a level from wherever the pin stands now."""
        if self._timer is not None:
            self._timer.cancel()
        self._target = target
        self._step()

    def _step(self) -> None:
        self._timer = None
        ramp_ns = self._up_ns if self._target > self.level else self._down_ns
        left = self._target - self.level
        most = STEP_NS / ramp_ns if ramp_ns else 1.0
        if abs(left) <= most:
            self._write(self._target)
            return
        self._write(round(self.level + (most if left > 0 else -most), 6))
        self._timer = self._board.after(STEP_NS, self._step)

    def _write(self, level: float) -> None:
        self.level = level
        self.written += 1
        self._board.write(self._pin, level)
