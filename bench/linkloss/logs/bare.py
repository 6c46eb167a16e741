"""A log on bare buses: no vehicle, one bus for each channel, and on each bus two nodes that listen
and acknowledge. Memory does not grow with the log.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from linkloss.bus import Bus, Controller, Frame
from linkloss.bus.bits import LONGEST_BITS
from linkloss.bus.frame import longest_bits
from linkloss.clock import EventQueue
from linkloss.logs.source import LogFile
from linkloss.logs.stream import ALL, Tally, frames
from linkloss.recording import LoggedFrame, Shift
from linkloss.session.logged import UNLIMITED, Feed, Player
from linkloss.session.session import Pace

LISTENERS = 2
_STEP_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Part:
    """Which part of a log is played: from one instant to another (in ns from its first frame; None:
    its end), which channel (``ALL``: each on a bus of its own), without some identifiers.
    """

    from_ns: int = 0
    to_ns: int | None = None
    channel: str = ALL
    left_out: frozenset[int] = frozenset()


@dataclass(slots=True)
class BareReplay:
    """The result of a replay. ``heard`` counts, by channel, the frames that each listener received;
    ``lasted_ns`` is the length of what was played.
    """

    shift: Shift
    heard: dict[str, list[int]] = field(default_factory=dict)
    lasted_ns: int = 0
    notes: list[str] = field(default_factory=list)


def replay_bare(
    path: str | Path,
    bit_rate: int,
    part: Part | None = None,
    *,
    data_bit_rate: int | None = None,
    paced: bool = False,
) -> BareReplay:
    """Replay a log, or a part of it, on bare buses of this bit rate (bits per second).

    ``data_bit_rate`` is that of the faster part of CAN FD frames; without it they are left out.
    ``paced``: no faster than real time. Raises BadInput for a log that cannot be read.
    """
    return _Bare(bit_rate, data_bit_rate).run(Path(path), part or Part(), paced=paced)


class _Bare:
    def __init__(self, bit_rate: int, data_bit_rate: int | None) -> None:
        self.bit_rate = bit_rate
        self.data_bit_rate = data_bit_rate
        self.fd = data_bit_rate is not None
        self.queue = EventQueue()
        longest = LONGEST_BITS if self.fd else longest_bits(8, extended=True)
        self.lead_ns = -(-longest * 1_000_000_000 // bit_rate)
        self.heard: dict[str, list[int]] = {}
        self.ended = False

    def run(self, path: Path, part: Part, *, paced: bool) -> BareReplay:
        log, tally = LogFile(path), Tally()
        played = self._played(log, tally, part)
        self.player = Player(self.queue, self._bus(), played, self._feed_of)
        self.player.begin()
        if paced:
            Pace(self.queue).begin()
            while not self.ended:
                self.queue.run_until(self.queue.now_ns + _STEP_NS)
            self.queue.run_until(self.queue.now_ns + _STEP_NS)
        else:
            self.queue.run()
        lasted_ns = max(0, tally.last_ns - part.from_ns)
        return BareReplay(self.player.shift, self.heard, lasted_ns, [*log.notes(), *tally.notes()])

    def _played(self, log: LogFile, tally: Tally, part: Part) -> Iterator[LoggedFrame]:
        shift_ns = self.lead_ns - part.from_ns
        left_out = part.left_out
        for at_ns, frame, channel in frames(log, tally, part.channel, fd=self.fd):
            if at_ns < part.from_ns or frame.identifier in left_out:
                continue
            if part.to_ns is not None and at_ns > part.to_ns:
                break
            yield LoggedFrame(at_ns + shift_ns, channel, frame)
        self.ended = True

    def _bus(self) -> Bus:
        return Bus(self.queue, self.bit_rate, data_bit_rate=self.data_bit_rate)

    def _feed_of(self, channel: str) -> Feed:
        """A bus for a channel, with one sender and its listeners."""
        bus = self._bus()
        sender = Controller("log", mailboxes=UNLIMITED, order="fifo", fd=self.fd)
        self.player.plays(sender)
        bus.attach(sender)
        counts = self.heard[channel] = [0] * LISTENERS
        for number in range(LISTENERS):
            listener = Controller(f"listener {number + 1}", fd=self.fd)
            listener.on_receive = partial(_hear, counts, number)
            bus.attach(listener)

        def feed(frame: Frame) -> bool:
            sender.send(frame)
            return True

        return feed


def _hear(counts: list[int], number: int, listener: Controller) -> None:
    counts[number] += len(listener.inbox)
    listener.inbox.clear()
