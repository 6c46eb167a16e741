"""What one who watches a live session may use up, so that the others notice nothing of it."""

from __future__ import annotations

from collections.abc import Callable

from linkloss.live.commands import LONGEST
from linkloss.wallclock import monotonic_seconds

MOST_WATCHERS = 64
MOST_CONNECTIONS = 200
"""Far fewer than the 1,024 files that a process may usually open."""
HEADER_TIMEOUT_S = 5.0
"""A connection that asks for nothing within so long is closed."""
SEND_TIMEOUT_S = 10.0
"""One who takes nothing for so long is gone."""
CLOSE_TIMEOUT_S = 5.0
"""So long it may take to say goodbye."""
MOST_UNSEEN = 3
"""States on their way to one watcher; a slow one gets fewer states, never old ones."""
LONGEST_MESSAGE = LONGEST
LONGEST_HEADER = 16_384
MESSAGES_PER_S = 80
MOST_AT_ONCE = 160


class Bucket:
    """Lets so many messages a second through, and some more at once after a rest."""

    def __init__(
        self,
        rate: float = MESSAGES_PER_S,
        size: float = MOST_AT_ONCE,
        now_s: Callable[[], float] = monotonic_seconds,
    ) -> None:
        self._rate = rate
        self._size = size
        self._now_s = now_s
        self._left = size
        self._at_s = now_s()

    def take(self) -> bool:
        """Whether one more is let through now."""
        now_s = self._now_s()
        self._left = min(self._size, self._left + (now_s - self._at_s) * self._rate)
        self._at_s = now_s
        if self._left < 1:
            return False
        self._left -= 1
        return True
