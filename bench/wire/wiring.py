"""What the controllers of a segment see of what they drive, where that is not the same for all."""

from __future__ import annotations

from collections.abc import Callable


class Wiring:
    """The wiring of a segment as its members see it; sets of members are bits, in cable order.

    :param levels: who sees the bus dominant while a set of members drives it dominant.
    :param forced: who drives it dominant whatever their controllers send.
    """

    def __init__(self, levels: Callable[[int], int], forced: int = 0) -> None:
        self.forced = forced
        self._levels = levels
        self._known: dict[int, int] = {}

    def seen(self, driven: int) -> int:
        """Who sees the bus dominant during a bit in which a set of members drives it dominant."""
        driven |= self.forced
        if driven not in self._known:
            self._known[driven] = self._levels(driven)
        return self._known[driven]
