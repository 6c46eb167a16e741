"""A bus of 1 Mbit/s with nodes a, b, c ... where bits can be disturbed one by one."""

from __future__ import annotations

from collections.abc import Mapping

from linkloss.bus.controller import Controller
from linkloss.bus.frame import Frame
from linkloss.bus.medium import Bus
from linkloss.bus.record import BitError, BitRecord, BusRecord
from linkloss.clock.queue import EventQueue

FRAME = Frame(0x123, bytes.fromhex("DEADBEEF"))
"""78 bits; acknowledgement slot 69, its delimiter 70, end of frame 71 to 77."""


class Lab:
    """One microsecond a bit; node a sends."""

    def __init__(self, names: str = "abc") -> None:
        self.queue = EventQueue()
        self.bus = Bus(self.queue, 1_000_000)
        self.records: list[BusRecord] = []
        self.bits: list[BitRecord] = []
        self.bus.observers.append(self.records.append)
        self.bus.bit_observers.append(self.bits.append)
        self.nodes = {name: Controller(name) for name in names}
        for node in self.nodes.values():
            self.bus.attach(node)

    def __getitem__(self, name: str) -> Controller:
        return self.nodes[name]

    def disturb(self, *attempts: Mapping[int, str | None]) -> None:
        """The bits that are seen inverted in each attempt, and by whom (None: by all)."""
        left = list(attempts)

        def hits(*_) -> list[BitError]:
            return [
                BitError(bit, None if names is None else frozenset(names))
                for bit, names in (left.pop(0) if left else {}).items()
            ]

        self.bus.disturbances.append(hits)

    def run(self, bits: int) -> None:
        self.queue.run_until(self.queue.now_ns + 1_000 * bits)

    def run_to(self, bit: int) -> None:
        """Up to the end of a bit, counted from the beginning."""
        self.queue.run_until(1_000 * (bit + 1))

    @property
    def starts(self) -> list[int]:
        return [record.start_ns // 1_000 for record in self.records]

    @property
    def errors(self) -> list[str | None]:
        return [record.error for record in self.records]

    def counters(self) -> list[tuple[int, int]]:
        """TEC and REC of each node."""
        return [(node.tec, node.rec) for node in self.nodes.values()]

    def heard(self, name: str) -> list[Frame]:
        return [frame for _, frame in self.nodes[name].inbox]

    def levels(self, first: int, last: int) -> str:
        """The bus from one bit to another, both included, as far as it was followed bit by bit."""
        found = [each for each in self.bits if first <= each.start_ns // 1_000 <= last]
        return "".join("0" if each.driven else "1" for each in found)

    def line(self, name: str, first: int, last: int) -> str:
        """What a node drives."""
        place = list(self.nodes).index(name)
        found = [each for each in self.bits if first <= each.start_ns // 1_000 <= last]
        return "".join("0" if each.driven >> place & 1 else "1" for each in found)
