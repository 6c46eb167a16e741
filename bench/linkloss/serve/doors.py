"""The endpoints that a live session was asked to open, opened again for each one that begins."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from linkloss.live.session import LiveSession
from linkloss.outside import Outside
from linkloss.serve.asked import endpoints
from linkloss.serve.opened import OpenBus, outside_of


class Doors:
    """Endpoints by the words of ``--open``; ``tell`` is told how to join them, and what is seen."""

    def __init__(self, words: Sequence[str], tell: Callable[[str], object]) -> None:
        self._words = words
        self._tell = tell
        self._bus: OpenBus | None = None

    def begin(self, make: Callable[[Outside | None], LiveSession]) -> LiveSession:
        """A new session with its bus open; that of the session before is closed. Raises
        BadInput.
        """
        self.close()
        ends = endpoints(self._words)
        live = make(outside_of(ends) if ends else None)
        if ends:
            self._bus = OpenBus(live, ends, self._tell)
            for endpoint in ends:
                self._tell(f"{endpoint.name}: {endpoint.how_to_join()}")
        return live

    def close(self) -> None:
        """Close what is open. Idempotent."""
        if self._bus is not None:
            self._bus.close()
            self._bus = None
