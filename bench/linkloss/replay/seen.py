"""What a log shows of one identifier."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from cantools.database.can import Message as DbcMessage

from linkloss.bus.frame import Frame
from linkloss.replay.columns import Columns, SignalColumn, plain_signals
from linkloss.replay.intervals import Intervals
from linkloss.replay.protect import Protection

MOST_CONTENTS = 2_000
"""So many different contents of a message with multiplexed signals are decoded, one by one."""


@dataclass(frozen=True, slots=True)
class Watched:
    """What is known of a message before the log is read; ``limits`` are its stale times in ns,
    with the loads (or the reason) that each belongs to.
    """

    message: DbcMessage
    protection: Protection | None
    limits: Mapping[int, tuple[str, ...]]


class Seen:
    """The frames of one identifier. They are gathered in ``times`` (ns) and ``frames``, and
    :meth:`take` works them in; nothing of them is kept.
    """

    def __init__(self, identifier: int, extended: bool, watched: Watched | None) -> None:
        self.identifier = identifier
        self.extended = extended
        self.message = None if watched is None else watched.message
        self.protection = None if watched is None else watched.protection
        self.limits = {} if watched is None else watched.limits
        self.times: list[int] = []
        self.frames: list[Frame] = []
        self.count = 0
        self.remote = 0
        self.wrong_length = 0
        self.undecoded = 0
        self.lengths: Counter[int] = Counter()
        self.intervals = Intervals(tuple(self.limits))
        self.signals: list[SignalColumn] = [] if self.message is None else plain_signals(
            self.message)  # fmt: skip
        self._known = {signal.name for signal in self.signals}
        self.ranges: dict[str, tuple[float, float]] = {}
        self._contents: set[bytes] = set()

    def take(self) -> None:
        """Work in what was gathered."""
        self.count += len(self.frames)
        self.intervals.take(self.times)
        self.lengths.update([len(frame.data) for frame in self.frames])
        self.remote += sum([frame.remote for frame in self.frames])
        if self.message is not None:
            self._decode(self.message)
        self.times.clear()
        self.frames.clear()

    def end(self, end_ns: int) -> None:
        """The log is over."""
        self.intervals.end(end_ns)

    def all_ranges(self) -> dict[str, tuple[float, float]]:
        """The smallest and the largest value of every signal that was seen, in its unit."""
        found = dict(self.ranges)
        for signal in self.signals:
            limits = signal.limits
            if limits is not None:
                found[signal.name] = limits
        order = [] if self.message is None else [signal.name for signal in self.message.signals]
        return {name: found[name] for name in order if name in found}

    def _decode(self, message: DbcMessage) -> None:
        length = message.length
        rows = [
            (at_ns, frame.data)
            for at_ns, frame in zip(self.times, self.frames, strict=True)
            if len(frame.data) == length and not frame.remote
        ]
        self.wrong_length += len(self.frames) - len(rows) - sum([f.remote for f in self.frames])
        if not rows:
            return
        payloads = [data for _, data in rows]
        if self.signals or self.protection is not None:
            columns = Columns(payloads, length)
            for signal in self.signals:
                signal.take(columns)
            if self.protection is not None:
                self.protection.take([at_ns for at_ns, _ in rows], payloads, columns)
        if len(self.signals) < len(message.signals):
            self._one_by_one(message, payloads)

    def _one_by_one(self, message: DbcMessage, payloads: list[bytes]) -> None:
        """Signals that are not in every frame."""
        for data in sorted(set(payloads) - self._contents):
            if len(self._contents) >= MOST_CONTENTS:
                return
            self._contents.add(data)
            try:
                values = message.decode_simple(data, decode_choices=False)
            except Exception:  # noqa: BLE001 - a DBC that is not read strictly may say anything
                self.undecoded += 1
                continue
            for name, value in values.items():
                if name not in self._known and isinstance(value, int | float):
                    low, high = self.ranges.get(name, (value, value))
                    self.ranges[name] = (min(low, value), max(high, value))
