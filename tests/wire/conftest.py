"""A wire with named controllers, and a log of all that happens on it."""

from __future__ import annotations

import pytest

from bench.clock.queue import EventQueue
from bench.wire.controller import Controller
from bench.wire.frame import Frame
from bench.wire.medium import Wire, WireRecord


class Bench:
    """A wire of 1 Mbit/s, so that a bit is a microsecond."""

    def __init__(self, *names: str, bit_rate: int = 1_000_000, **settings) -> None:
        self.queue = EventQueue()
        self.wire = Wire(self.queue, bit_rate)
        self.records: list[WireRecord] = []
        self.wire.observers.append(self.records.append)
        self.controllers = {name: self.add(name, **settings) for name in names}

    def add(self, name: str, **settings) -> Controller:
        controller = Controller(name, **settings)
        self.wire.attach(controller)
        return controller

    def __getitem__(self, name: str) -> Controller:
        return self.controllers[name]

    def run(self, bits: int = 100_000) -> None:
        self.queue.run_until(self.queue.now_ns + self.wire.span_ns(bits))

    def at(self, bits: int, action, *args) -> None:
        self.queue.at(self.wire.span_ns(bits), action, *args)

    def heard(self, name: str) -> list[Frame]:
        controller = self.controllers[name]
        got = []
        while (received := controller.receive()) is not None:
            got.append(received[1])
        return got

    @property
    def errors(self) -> list[str | None]:
        return [record.error for record in self.records]


@pytest.fixture
def bench_of():
    return Bench
