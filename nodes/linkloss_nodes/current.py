"""What the current into an output tells: a blown fuse, a broken lead, a relay that stays closed."""

from __future__ import annotations

from collections.abc import Iterable

from linkloss_nodes.api import Board
from linkloss_nodes.feed import Feed

NONE_A = 0.1
"""Less than this is no current at all."""
APART_NS = 50_000_000
"""Between two looks, for a relay to move or a lamp to warm up. A message that is refused is built
anew every few ms."""
WORKS_FROM_V = 9.0
"""With a lower supply a load may draw little, or its relay may have let go, and be well."""


class CurrentWatch:
    """Looks at the currents from time to time. Two looks at one level of the pin that both find
    it wrong make a failure: the first may come before a lamp is warm or a relay has moved. Two that
    find it right end one: a switch that tries again drives its short for a moment.
    """

    def __init__(self, board: Board, feeds: Iterable[Feed]) -> None:
        self._board = board
        self._feeds = [feed for feed in feeds if feed.least_a is not None]
        self._doubtful: dict[str, tuple[int, float]] = {}
        self._failed: dict[str, float] = {}
        self._looked_ns = -APART_NS

    def failed(self) -> bool:
        """Look again, unless it was just done. Whether any load has failed."""
        now_ns = self._board.now_ns()
        if now_ns - self._looked_ns < APART_NS:
            return bool(self._failed)
        self._looked_ns = now_ns
        if self._board.supply_volts() >= WORKS_FROM_V:
            for feed in self._feeds:
                self._look(feed)
        return bool(self._failed)

    def _look(self, feed: Feed) -> None:
        amps, pin = self._board.current(feed.pin), feed.pin
        assert feed.least_a is not None
        here = (feed.written, feed.level)
        wrong = amps < feed.least_a * feed.level if feed.level else amps > NONE_A
        if not wrong:
            doubtful = self._doubtful.pop(pin, None) is not None
            if not doubtful and self._failed.get(pin) == feed.level:  # it showed at this level
                del self._failed[pin]
        elif self._doubtful.get(pin) == here:
            self._failed[pin] = feed.level
        else:
            self._doubtful[pin] = here
