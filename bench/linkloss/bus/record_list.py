"""The records of a bus in order, kept compactly: equal failed attempts in a row are one entry.

A node that nobody acknowledges tries again at once, some 2,500 times a second at 250 kbit/s, for as
long as its cable is cut. Each attempt is as long as the one before and comes after the same time.
Such a run is kept as its first record, its period and its count:

    records   A1  B1  A2  A3  C1  A4          A: the same attempt again and again
    entries   A1 (count 4, period p)  B1  C1
    order     0   1   0   0   2   0

The order makes every record come out again where it went in, whatever lies between. Whoever reads a
list of records does not see how it is kept.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain, islice
from typing import overload

from linkloss.bus.record import BusRecord

BLOCK = 4096
"""A run ends with its block of so many records."""


@dataclass(slots=True)
class Run:
    """Equal failed attempts. Each begins ``period_ns`` after the one before, the last one at
    ``last_ns``.
    """

    first: BusRecord
    period_ns: int
    last_ns: int
    count: int = 2

    def at(self, number: int) -> BusRecord:
        """The attempt with this number, from 0 on."""
        first, later_ns = self.first, number * self.period_ns
        return BusRecord(first.start_ns + later_ns, first.end_ns + later_ns, *first[2:])


@dataclass(slots=True)
class Block:
    """Up to :data:`BLOCK` records: entries, and which one is next, again and again."""

    entries: list[BusRecord | Run] = field(default_factory=list)
    order: array[int] = field(default_factory=lambda: array("H"))
    latest: dict[str, int] = field(default_factory=dict)
    """The entry of each sender's last failed attempt."""

    def append(self, record: BusRecord) -> None:
        """Add a record; there must be room for it."""
        if record.error is not None:
            place = self.latest.get(record.sender)
            if place is not None and self._continues(place, record):
                self.order.append(place)
                return
            self.latest[record.sender] = len(self.entries)
        self.order.append(len(self.entries))
        self.entries.append(record)

    def _continues(self, place: int, record: BusRecord) -> bool:
        """Whether a failed attempt repeats an entry, which then holds it as well."""
        known = self.entries[place]
        first = known.first if isinstance(known, Run) else known
        same = (
            first[2:] == record[2:]
            and first.end_ns - first.start_ns == record.end_ns - record.start_ns
        )
        if not same:
            return False
        if isinstance(known, Run):
            if record.start_ns - known.last_ns != known.period_ns:
                return False
            known.last_ns = record.start_ns
            known.count += 1
        else:
            period_ns = record.start_ns - first.start_ns
            self.entries[place] = Run(first, period_ns, record.start_ns)
        return True

    def __getitem__(self, place: int) -> BusRecord:
        number = self.order[place]
        entry = self.entries[number]
        return entry.at(self.order[:place].count(number)) if isinstance(entry, Run) else entry

    def records(self) -> Iterator[BusRecord]:
        """All records that are there now, in order."""
        counts = [0] * len(self.entries)
        for place in self.order[:]:
            entry, number = self.entries[place], counts[place]
            counts[place] = number + 1
            yield entry.at(number) if isinstance(entry, Run) else entry

    def delivered(self) -> Iterator[BusRecord]:
        """Those that some controller took."""
        if any(isinstance(entry, Run) and entry.first.receivers for entry in self.entries):
            return filter(_was_delivered, self.records())
        return (e for e in self.entries if not isinstance(e, Run) and _was_delivered(e))

    def copy(self) -> Block:
        """A block that grows by itself."""
        entries = [
            Run(e.first, e.period_ns, e.last_ns, e.count) if isinstance(e, Run) else e
            for e in self.entries
        ]
        return Block(entries, self.order[:], dict(self.latest))


class RecordList(Sequence[BusRecord]):
    """Records of a bus, in the order in which they were added."""

    def __init__(self, records: Iterable[BusRecord] = ()) -> None:
        self._blocks: list[Block] = [Block()]
        self._full = 0
        self.extend(records)

    def append(self, record: BusRecord) -> None:
        """Add a record at the end."""
        block = self._blocks[-1]
        if len(block.order) == BLOCK:
            self._full += len(block.entries)
            block = Block()
            self._blocks.append(block)
        block.append(record)

    def extend(self, records: Iterable[BusRecord]) -> None:
        """Add records at the end."""
        for record in records:
            self.append(record)

    def __len__(self) -> int:
        return (len(self._blocks) - 1) * BLOCK + len(self._blocks[-1].order)

    @property
    def entries(self) -> int:
        """How many entries hold the records."""
        return self._full + len(self._blocks[-1].entries)

    def __iter__(self) -> Iterator[BusRecord]:
        return self.starting_at(0)

    def starting_at(self, place: int) -> Iterator[BusRecord]:
        """The records from a place on."""
        number, rest = divmod(place, BLOCK)
        blocks = islice(self._blocks, number, None)
        return islice(chain.from_iterable(block.records() for block in blocks), rest, None)

    def __reversed__(self) -> Iterator[BusRecord]:
        for block in reversed(self._blocks):
            yield from reversed(list(block.records()))

    @overload
    def __getitem__(self, place: int) -> BusRecord: ...
    @overload
    def __getitem__(self, place: slice) -> list[BusRecord]: ...
    def __getitem__(self, place: int | slice) -> BusRecord | list[BusRecord]:
        places = range(len(self))[place]
        if isinstance(places, int):
            return self._blocks[places // BLOCK][places % BLOCK]
        if not places:
            return []
        low, high = min(places[0], places[-1]), max(places[0], places[-1])
        found = list(islice(self.starting_at(low), high - low + 1))
        return [found[one - low] for one in places]

    def __eq__(self, other: object) -> bool:
        if isinstance(other, RecordList):
            return self._blocks == other._blocks
        return isinstance(other, list) and len(self) == len(other) and list(self) == other

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"RecordList({list(self)!r})"

    def since(self, place: int) -> RecordList:
        """The records from a place on, as a list that grows by itself."""
        found = RecordList()
        if place % BLOCK:
            found.extend(self.starting_at(place))
        elif place < len(self):  # full blocks never change
            found._take([*self._blocks[place // BLOCK : -1], self._blocks[-1].copy()])
        return found

    def join(self, others: RecordList) -> None:
        """Add the records of another list at the end."""
        if len(self) % BLOCK:
            self.extend(others)
        elif len(others):
            kept = self._blocks if self._blocks[-1].order else self._blocks[:-1]
            self._take([*kept, *others.since(0)._blocks])

    def _take(self, blocks: list[Block]) -> None:
        self._blocks = blocks
        self._full = sum(len(block.entries) for block in blocks[:-1])

    def delivered(self, place: int = 0) -> Iterator[BusRecord]:
        """The records from a place on that some controller took, quickly."""
        number, rest = divmod(place, BLOCK)
        if rest:
            begun = islice(self._blocks[number].records(), rest, None)
            yield from filter(_was_delivered, begun)
            number += 1
        for block in islice(self._blocks, number, None):
            yield from block.delivered()


def _was_delivered(record: BusRecord) -> bool:
    return record.error is None or bool(record.receivers)
