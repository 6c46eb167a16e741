"""Random bit errors: how many bits pass until the next one is hit.

The gap from one hit to the next is drawn at once (geometric distribution), so that frames without
a hit cost no more than a subtraction.
"""

from __future__ import annotations

from math import floor, log
from random import Random


class Noise:
    """Each bit is seen inverted with one probability, independent of all others.

    Only bits between a start of frame and the end of the intermission count; a glitch on the idle
    bus, which would look like a start of frame, is left out.

    :param share: the bit error rate, above 0 and below 1.
    :param random: where chance comes from.
    :param node: the controller that sees the bits so; None: all alike.
    """

    def __init__(self, share: float, random: Random, node: str | None = None) -> None:
        self.node = node
        self._scale = log(1 - share)
        self._random = random
        self._left = self._gap()

    def spares(self, bits: int) -> bool:
        """Whether the next so many bits pass without a hit. If so, they have passed."""
        if self._left < bits:
            return False
        self._left -= bits
        return True

    def strikes(self) -> bool:
        """Whether the next bit is hit."""
        if self._left:
            self._left -= 1
            return False
        self._left = self._gap()
        return True

    def _gap(self) -> int:
        """How many bits pass before the next one is hit."""
        return floor(log(1 - self._random.random()) / self._scale)
