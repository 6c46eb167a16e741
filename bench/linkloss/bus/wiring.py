"""What the controllers of a segment see of what they drive, where that is not the same for all."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from linkloss.bus.controller import Controller


class Wiring:
    """The wiring of a segment as its members see it; sets of members are bits, in cable order.

    :param levels: who sees the bus dominant while a set of members drives it dominant.
    :param forced: who drives it dominant whatever their controllers send.
    :param dead: whose controllers drive nothing any more.
    :param hold_bits: for how many bits a dominant level stays behind it, nominal ones and those
        at the data bit rate: see line.py.
    :param strangers: nothing is wrong but that these run at another bit rate.
    """

    def __init__(
        self,
        levels: Callable[[int], int],
        forced: int = 0,
        dead: int = 0,
        hold_bits: tuple[int, int] = (0, 0),
        strangers: tuple[Controller, ...] | None = None,
    ) -> None:
        self.forced = forced
        self._strangers = strangers
        self._dead = dead
        self._levels = levels
        self._known: dict[int, int] = {}
        self._hold_bits = hold_bits
        self._held = self._left = 0

    @property
    def harmless(self) -> bool:
        """Whether nothing comes of it at the moment: all that is wrong are members with another bit
        rate, and these are off the bus.
        """
        return self._strangers is not None and not any(s.online for s in self._strangers)

    def seen(self, driven: int, *, fast: bool = False) -> int:
        """Who sees the bus dominant during a bit in which a set of members drives it dominant.

        :param fast: whether it is a bit at the data bit rate.
        """
        driven = driven & ~self._dead | self.forced
        if driven not in self._known:
            self._known[driven] = self._levels(driven)
        seen = self._known[driven]
        hold_bits = self._hold_bits[fast]
        if hold_bits:
            if seen:
                self._held, self._left = seen, hold_bits
            elif self._left:
                self._left -= 1
                return self._held
        return seen
