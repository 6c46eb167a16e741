"""The flash cycle: when lamps that flash are lit, and how several nodes keep one step.

The node that sends the requests also sends how long ago the running cycle began. The others do
not copy its lit and dark phases from the bus, where a lost frame would stretch one: each has a
clock of its own and only trims it, in the dark phase, towards the sender's. Without a link it
goes on by itself.

    sender      |####----|####----|####----|
    message          t=250
    own clock     |####----|####--|####----|
                                ^ trimmed: this cycle is shorter
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from linkloss_nodes.api import MS, Board, SettingsError, Timer
from linkloss_nodes.fields import Field

TOLERANCE_NS = 30 * MS
"""Clocks that differ by less are in step: nobody sees it."""
SHORTEN = 0.2
"""How much of a cycle may be cut off to get in step: 90 per minute become 113 at most ..."""
LENGTHEN = 0.4
"""... and how much added: 65 per minute at least, inside the 60 to 120 of the regulations."""


@dataclass(frozen=True)
class FlashSettings:
    """``cycle_ms`` and its lit part ``lit_ms``, both in ms. ``time`` is the signal by which the
    sender of the requests tells how long ago its cycle began; its highest raw value means that
    nothing flashes.
    """

    cycle_ms: int = 660
    lit_ms: int = 330
    time: str | None = None

    def __post_init__(self) -> None:
        if not 0 < self.lit_ms < self.cycle_ms:
            raise SettingsError("lit_ms", f"got {self.lit_ms}; expected less than 'cycle_ms'")


class FlashTime:
    """How the time in the running cycle travels: in ms, the highest raw value for none."""

    def __init__(self, field: Field) -> None:
        self._field = field
        self.none = (1 << field.bits) - 1

    def encode(self, elapsed_ns: int | None) -> float:
        """The signal's value, in ms, for a time since the beginning of the cycle."""
        if elapsed_ns is None:
            return self._field.physical(self.none)
        return self._field.physical(min(self.none - 1, self._field.raw(elapsed_ns / MS)))

    def decode(self, data: bytes) -> int | None:
        """The time since the beginning of the cycle in ns, or None."""
        raw = self._field.get(data)
        return None if raw == self.none else round(self._field.physical(raw) * MS)


class Flasher:
    """The clock of everything that flashes on one node.

    ``show(lit)`` of each member is called when its lamp has to change.
    """

    def __init__(self, board: Board, settings: FlashSettings) -> None:
        self._board = board
        self._cycle_ns = settings.cycle_ms * MS
        self._lit_ns = settings.lit_ms * MS
        self._members: list[Callable[[bool], object]] = []
        self._lit = False
        self._began_ns = 0
        self._timer: Timer | None = None
        self._grid_ns: int | None = None

    def heard(self, elapsed_ns: int | None) -> None:
        """The sender's cycle began so long ago; None: it has none, or it is not heard."""
        self._grid_ns = None if elapsed_ns is None else self._board.now_ns() - elapsed_ns

    def join(self, show: Callable[[bool], object]) -> None:
        """Flash with the others; the first one starts the clock, in step with the sender's."""
        if not self._members:
            now_ns = self._board.now_ns()
            grid_ns = now_ns if self._grid_ns is None else self._grid_ns
            elapsed_ns = (now_ns - grid_ns) % self._cycle_ns
            self._began_ns = now_ns - elapsed_ns
            self._lit = elapsed_ns < self._lit_ns
            self._next(self._lit_ns if self._lit else self._cycle_ns)
        self._members.append(show)
        show(self._lit)

    def leave(self, show: Callable[[bool], object]) -> None:
        """Stop flashing; the last one stops the clock."""
        if show in self._members:
            self._members.remove(show)
        if not self._members and self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _next(self, elapsed_ns: int) -> None:
        """The next edge comes so long after the beginning of the cycle."""
        now_ns = self._board.now_ns()
        self._timer = self._board.after(max(0, self._began_ns + elapsed_ns - now_ns), self._edge)

    def _edge(self) -> None:
        self._lit = not self._lit
        if self._lit:
            self._began_ns = self._board.now_ns()
            self._next(self._lit_ns)
        else:
            self._next(self._cycle_ns + self._trim_ns())
        for show in tuple(self._members):
            show(self._lit)

    def _trim_ns(self) -> int:
        """By how much this cycle has to differ from the usual one to come closer to the sender."""
        if self._grid_ns is None:
            return 0
        cycle_ns = self._cycle_ns
        late_ns = (self._began_ns - self._grid_ns) % cycle_ns
        if min(late_ns, cycle_ns - late_ns) <= TOLERANCE_NS:
            return 0
        if late_ns <= SHORTEN * cycle_ns:
            return -late_ns
        return min(cycle_ns - late_ns, round(LENGTHEN * cycle_ns))
