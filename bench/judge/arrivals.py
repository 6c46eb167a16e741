"""Which messages were delivered to a node, and which of them were good.

Good: delivered, of the right length, and, where the message declares them, with the right
checksum and a counter that moved by 1 to ``max_step`` since the last good one. The first message
after boot or stale is good whatever its counter; after a reset of the sender either verdict is
allowed for one message that has a counter. Where a receiver may rightly see it either way, the
arrival is *maybe*: all that the receiver may have believed is followed as branches.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from bench.judge.lives import Biography, Life
from bench.model.messages import MessageInfo
from bench.wire import WireRecord


class Arrival(NamedTuple):
    """A good message at its receiver; ``sure`` is False where it may rightly be refused."""

    at_ns: int
    data: bytes
    sure: bool


class Run(NamedTuple):
    """Good messages in a row that ask for one thing (``on``) with no loss of the link between
    them. ``sure``: they were surely good; a message that was not is a run of its own.
    """

    at_ns: int
    last_ns: int
    on: bool
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


class Seen(NamedTuple):
    """An intact frame of a message: its end, payload, counter, and whom it reached."""

    at_ns: int
    data: bytes
    counter: int
    receivers: Sequence[str]
    lost_overrun: Sequence[str]


class Traffic:
    """The valid frames of one message on the wire: right length, right checksum.

    ``sent`` holds (end of frame, sender) of each.
    """

    def __init__(
        self, valid: Mapping[tuple[int, bool], Sequence[WireRecord]], info: MessageInfo
    ) -> None:
        self.info = info
        self.frames: list[Seen] = []
        self.sent: list[tuple[int, str]] = []
        key = (info.identifier, info.extended)
        count = info.counter.raw if info.counter is not None else lambda data: 0  # noqa: ARG005
        for record in valid.get(key, ()):
            data = record.frame.data
            if len(data) == info.length and (info.checksum is None or info.checksum(data)):
                self.frames.append(
                    Seen(record.end_ns, data, count(data), record.receivers, record.lost_overrun)
                )
                self.sent.append((record.end_ns, record.sender))

    def received_by(self, node: str) -> list[Seen]:
        """The frames that were valid at a node's controller."""
        return [seen for seen in self.frames if node in seen.receivers]


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
    resets = [other.reset_ns for other in sender.lives if other.reset_ns > life.reset_ns]
    if counter is None:
        resets = []
    last_ns = life.reset_ns
    for at_ns, data, count, _, overrun in traffic.received_by(node):
        if not life.reset_ns <= at_ns < life.end_ns:
            continue
        lost = bool(overrun) and node in overrun and any(a <= at_ns <= b for a, b in floods)
        doubtful = lost or any(last_ns < reset <= at_ns for reset in resets)
        last_ns = at_ns
        if len(beliefs) == 1 and not doubtful:  # nearly always
            verdict = _good(beliefs[0], count, at_ns, link, span)
            if verdict is False:
                continue
            if verdict is True:
                found.append(Arrival(at_ns, data, True))
                beliefs[0] = _Belief(count, at_ns)
                continue
        verdicts = [_good(belief, count, at_ns, link, span) for belief in beliefs]
        if not doubtful and all(verdict is False for verdict in verdicts):
            continue
        sure = not doubtful and all(verdict is True for verdict in verdicts)
        found.append(Arrival(at_ns, data, sure))
        refused = [
            belief
            for belief, verdict in zip(beliefs, verdicts, strict=True)
            if doubtful or verdict is not True
        ]
        beliefs = [*dict.fromkeys([*refused, _Belief(count, at_ns)])]
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


def joined(found: Sequence[Arrival], raw: Callable[[bytes], int], gap_ns: int) -> list[Run]:
    """Good messages as runs: equal requests, surely good, less than ``gap_ns`` apart.

    ``raw`` reads the request out of a payload; anything but zero asks for the load.
    """
    runs: list[Run] = []
    for at_ns, data, sure in found:
        on = raw(data) != 0
        last = runs[-1] if runs else None
        joins = last is not None and last.on == on and last.sure and sure
        if last is not None and joins and at_ns < last.last_ns + gap_ns:
            runs[-1] = Run(last.at_ns, at_ns, on, sure=True)
        else:
            runs.append(Run(at_ns, at_ns, on, sure))
    return runs
