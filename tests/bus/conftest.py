"""A bus with named controllers, and a log of all that happens on it."""

from __future__ import annotations

import can.interfaces
import can.util
import pytest
from interface_entry import entry_point

from linkloss.bus.controller import Controller
from linkloss.bus.frame import Frame
from linkloss.bus.medium import Bus
from linkloss.bus.record import BusRecord
from linkloss.clock.queue import EventQueue


class Bench:
    """A bus of 1 Mbit/s, so that a bit is a microsecond."""

    def __init__(self, *names: str, bit_rate: int = 1_000_000, **settings) -> None:
        self.queue = EventQueue()
        self.bus = Bus(self.queue, bit_rate)
        self.records: list[BusRecord] = []
        self.bus.observers.append(self.records.append)
        self.controllers = {name: self.add(name, **settings) for name in names}

    def add(self, name: str, **settings) -> Controller:
        controller = Controller(name, **settings)
        self.bus.attach(controller)
        return controller

    def __getitem__(self, name: str) -> Controller:
        return self.controllers[name]

    def run(self, bits: int = 100_000) -> None:
        self.queue.run_until(self.queue.now_ns + self.bus.span_ns(bits))

    def at(self, bits: int, action, *args) -> None:
        self.queue.at(self.bus.span_ns(bits), action, *args)

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


@pytest.fixture
def plugged_in(monkeypatch):
    """The interface is found as if linkloss were installed."""
    module, _, name = entry_point().partition(":")
    valid = can.interfaces.VALID_INTERFACES | {"linkloss"}
    monkeypatch.setattr(can.util, "VALID_INTERFACES", valid)
    monkeypatch.setitem(can.interfaces.BACKENDS, "linkloss", (module, name))
