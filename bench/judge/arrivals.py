"""Which messages were delivered to a node, and which of them were good.

Good: delivered, of the right length, and, where the message declares them, with the right
checksum and a counter that moved by 1 to ``max_step`` since the last good one. The first message
after boot or stale is good whatever its counter; after a reset of the sender either verdict is
allowed for one message. Where a receiver may rightly see it either way, the arrival is *maybe*:
all that the receiver may have believed is followed as branches.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from bench.judge.lives import Biography, Life
from bench.model.messages import MessageInfo
from bench.recording import Recording
from bench.wire import WireRecord


class Arrival(NamedTuple):
    """A good message at its receiver; ``sure`` is False where it may rightly be refused."""

    at_ns: int
    data: bytes
    sure: bool


@dataclass(frozen=True, slots=True)
class Link:
    """How a receiver watches a message: the numbers that decide when it is stale."""

    stale_after_ns: int
    early_ns: int
    reaction_ns: int
    max_step: int

    @property
    def maybe_stale_ns(self) -> int:
        """Age of the last good message from which the receiver may call the link lost."""
        return self.stale_after_ns - self.early_ns

    @property
    def surely_stale_ns(self) -> int:
        """Age from which it must have acted on the loss."""
        return self.stale_after_ns + self.reaction_ns


class _Belief(NamedTuple):
    """The counter and instant of the last good message, as a receiver may hold them."""

    counter: int
    at_ns: int


class Traffic:
    """The valid frames of one message on the wire, with their content judged once."""

    def __init__(self, recording: Recording, info: MessageInfo) -> None:
        self.info = info
        self.frames: list[tuple[WireRecord, bool]] = [
            (record, self._intact(record.frame.data))
            for record in recording.frames
            if record.error is None
            and record.frame.identifier == info.identifier
            and record.frame.extended == info.extended
            and not record.frame.remote
        ]

    def _intact(self, data: bytes) -> bool:
        if len(data) != self.info.length:
            return False
        return self.info.checksum is None or self.info.checksum(data)

    def received_by(self, node: str) -> Iterator[tuple[WireRecord, bool]]:
        """The frames that were valid at a node's controller, and whether they are intact."""
        for record, intact in self.frames:
            if node in record.receivers:
                yield record, intact


def arrivals(
    traffic: Traffic,
    node: str,
    life: Life,
    link: Link,
    sender: Biography,
    floods: Sequence[tuple[int, int]],
) -> list[Arrival]:
    """The good messages at a node within one of its lives, in order of time.

    ``floods`` are the spans of a flood fault: only there a message lost to a full receive FIFO
    leaves both verdicts open.
    """
    counter = traffic.info.counter
    span = 0 if counter is None else 1 << counter.length_bits
    beliefs: list[_Belief | None] = [None]
    found: list[Arrival] = []
    resets = [other.reset_ns for other in sender.lives if other.reset_ns > 0]
    last_ns = life.reset_ns
    for record, intact in traffic.received_by(node):
        at_ns = record.end_ns
        if not life.reset_ns <= at_ns < life.end_ns or not intact:
            continue
        value = 0 if counter is None else counter.raw(record.frame.data)
        lost = node in record.lost_overrun and any(a <= at_ns <= b for a, b in floods)
        doubtful = lost or any(last_ns < reset <= at_ns for reset in resets)
        last_ns = at_ns
        verdicts = [_good(belief, value, at_ns, link, span) for belief in beliefs]
        if all(verdict is False for verdict in verdicts) and not doubtful:
            continue
        sure = not doubtful and all(verdict is True for verdict in verdicts)
        found.append(Arrival(at_ns, record.frame.data, sure))
        refused = [
            belief
            for belief, verdict in zip(beliefs, verdicts, strict=True)
            if doubtful or verdict is not True
        ]
        beliefs = [*dict.fromkeys([*refused, _Belief(value, at_ns)])]
    return found


def _good(belief: _Belief | None, value: int, at_ns: int, link: Link, span: int) -> bool | None:
    """Whether a receiver with this belief takes the message: yes, no, or None for either."""
    if belief is None or span == 0:
        return True
    if 1 <= (value - belief.counter) % span <= link.max_step:
        return True
    age_ns = at_ns - belief.at_ns
    if age_ns > link.surely_stale_ns:
        return True
    return None if age_ns >= link.maybe_stale_ns else False
