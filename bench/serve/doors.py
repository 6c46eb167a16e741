"""The endpoints that a live session was asked to open, opened again for each one that begins."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bench.live.session import LiveSession
from bench.outside import Outside
from bench.serve.asked import endpoints
from bench.serve.opened import OpenWire, outside_of


class Doors:
    """Endpoints by the words of ``--open``; ``tell`` is told how to join them, and what is seen."""

    def __init__(self, words: Sequence[str], tell: Callable[[str], object]) -> None:
        self._words = words
        self._tell = tell
        self._wire: OpenWire | None = None

    def begin(self, make: Callable[[Outside | None], LiveSession]) -> LiveSession:
        """A new session with its wire open; that of the session before is closed. Raises
        BadInput.
        """
        self.close()
        ends = endpoints(self._words)
        live = make(outside_of(ends) if ends else None)
        if ends:
            self._wire = OpenWire(live, ends, self._tell)
            for endpoint in ends:
                self._tell(f"{endpoint.name}: {endpoint.how_to_join()}")
        return live

    def close(self) -> None:
        """Close what is open. Idempotent."""
        if self._wire is not None:
            self._wire.close()
            self._wire = None
