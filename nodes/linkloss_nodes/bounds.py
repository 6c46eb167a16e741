"""What outranks whatever asks for a load: a trip, a condition that forbids it, limits of time."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from linkloss_nodes.api import Board, Timer
from linkloss_nodes.condition import Condition, Value, parse_condition

Values = Mapping[str, Value | None]


class Trip:
    """Off for good from when a condition holds until another one does: what cuts the fuel pump off
    in a crash. A reset forgets it, unless the first condition still holds then.
    """

    def __init__(self, when: str | None, off_until: str | None) -> None:
        self._when = None if when is None else parse_condition(when)
        self._until = None if off_until is None else parse_condition(off_until)
        self._tripped = False

    @property
    def names(self) -> tuple[str, ...]:
        """The inputs that it looks at."""
        return tuple(n for entry in (self._when, self._until) if entry for n in entry.names)

    def holds(self, values: Values) -> bool:
        """Whether the load has to be off."""
        if self._when is None or self._until is None:
            return False
        if self._when.holds(values):
            self._tripped = True
        elif self._until.holds(values):
            self._tripped = False
        return self._tripped


class Limits:
    """The longest time that a load is on, the shortest that it is off, both in ns (0: none). One
    that was on for too long stays off until nothing asks for it any more.
    """

    def __init__(
        self, board: Board, longest_on_ns: int, shortest_off_ns: int, act: Callable[[], object]
    ) -> None:
        self._board = board
        self._longest_ns = longest_on_ns
        self._shortest_ns = shortest_off_ns
        self._act = act
        self._spent = False
        self._free_ns: int | None = None
        self._timer: Timer | None = None

    def allow(self, *, wanted: bool) -> bool:
        """Whether a load that is wanted on may be, now."""
        if not wanted:
            self._spent = False
            return False
        return not self._spent and (self._free_ns is None or self._free_ns <= self._board.now_ns())

    def switched(self, *, on: bool) -> None:
        """The load has gone on or off."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if on:
            self._free_ns = None
            if self._longest_ns:
                self._timer = self._board.after(self._longest_ns, self._over)
        elif self._shortest_ns:
            self._free_ns = self._board.now_ns() + self._shortest_ns
            self._timer = self._board.after(self._shortest_ns, self._act)

    def _over(self) -> None:
        self._timer = None
        self._spent = True
        self._act()


class Inhibitor:
    """The condition under which a load may not be on: at once for one that is off, after a grace
    for one that is on.
    """

    def __init__(
        self, board: Board, inhibit: str | None, after_ns: int, act: Callable[[], object]
    ) -> None:
        self._board = board
        self._condition: Condition | None = None if inhibit is None else parse_condition(inhibit)
        self.names = self._condition.names if self._condition is not None else ()
        self._after_ns = after_ns
        self._act = act
        self._blocked = False
        self._grace: Timer | None = None

    def blocks(self, values: Values, *, on: bool) -> bool:
        """Whether the load, now on or off, has to be off."""
        if self._condition is None:
            return False
        if not self._condition.holds(values):
            self._end_grace()
            self._blocked = False
        elif not on:
            self._end_grace()
            self._blocked = True
        elif not self._blocked and self._grace is None:
            self._grace = self._board.after(self._after_ns, self._over)
        return self._blocked

    def _over(self) -> None:
        self._grace = None
        self._blocked = True
        self._act()

    def _end_grace(self) -> None:
        if self._grace is not None:
            self._grace.cancel()
            self._grace = None
