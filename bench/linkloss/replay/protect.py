"""Counters and checksums in a log: where they jump, where they fail.

Our own message definitions say which signal is which. Others do not, but name them; then a signal
counts as a counter only if it counts, and a checksum is left alone: how it is made is not known.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from cantools.database.can import Message as DbcMessage

from linkloss.model.messages import attribute, compile_message
from linkloss.model.problem import BadInput
from linkloss.replay.columns import Columns, SignalColumn

_COUNTER = re.compile(r"(^|_)(alive_?)?(counter|cntr?|ctr|rolling|alive)\d*$", re.IGNORECASE)
COUNTS_SHARE = 0.8
"""A signal that is only named like a counter is one if this share of its steps is one."""


@dataclass(slots=True)
class Protection:
    """The counter and the checksum of a message, and what came of them.

    ``repeats`` counts frames with the counter of the one before, ``jumps`` those whose counter
    moved by more than one; ``failed`` those whose checksum is wrong.
    """

    counter: SignalColumn | None
    declared: bool
    checksum: Callable[[bytes], bool] | None
    steps: int = 0
    repeats: int = 0
    jumps: int = 0
    first_jump_ns: int | None = None
    failed: int = 0
    first_failed_ns: int | None = None
    _last: list[int] = field(default_factory=list)

    def take(self, times: Sequence[int], payloads: Sequence[bytes], columns: Columns) -> None:
        """More frames of the right length, in order."""
        if self.counter is not None:
            self._count(times, self.counter.raw(columns), self.counter.mask)
        if self.checksum is not None:
            right = self.checksum
            wrong = [at for at, data in zip(times, payloads, strict=True) if not right(data)]
            if wrong:
                self.failed += len(wrong)
                if self.first_failed_ns is None:
                    self.first_failed_ns = wrong[0]

    def _count(self, times: Sequence[int], values: list[int], mask: int) -> None:
        start = len(self._last)
        joined = [*self._last, *values]
        steps = [(later - earlier) & mask for earlier, later in pairwise(joined)]
        self._last = values[-1:] or self._last
        self.steps += len(steps)
        ones = steps.count(1)
        if ones == len(steps):
            return
        self.repeats += steps.count(0)
        self.jumps += len(steps) - ones - steps.count(0)
        if self.first_jump_ns is None:
            place = next((i for i, step in enumerate(steps) if step > 1), None)
            if place is not None:
                self.first_jump_ns = times[place + 1 - start]

    @property
    def counts(self) -> bool:
        """Whether its counter is one."""
        if self.counter is None or not self.steps:
            return False
        ones = self.steps - self.repeats - self.jumps
        return self.declared or ones >= COUNTS_SHARE * self.steps


def protection(message: DbcMessage) -> Protection | None:
    """How a message is protected, as far as its definition tells; None if not at all."""
    counter = None
    declared = False
    for signal in message.signals:
        role = attribute(signal, "LinkRole")
        if role == "counter" or (counter is None and _COUNTER.search(signal.name)):
            if signal.multiplexer_ids or signal.is_signed or signal.length < 2:
                continue
            counter = SignalColumn(signal, message.length)
            declared = role == "counter"
    try:
        checksum = compile_message(message, Path()).checksum
    except (BadInput, ValueError):
        checksum = None
    if counter is None and checksum is None:
        return None
    return Protection(counter, declared, checksum)
