"""A program outside, played by the test."""

from __future__ import annotations

import queue
from pathlib import Path
from typing import Any

from linkloss.bus import Frame
from linkloss.live.endpoints import Endpoint
from linkloss.problem import BadInput
from linkloss.vehicle.loading import load_vehicle

SOON = 5.0
ROOT = Path(__file__).parents[2]


class Program(Endpoint):
    """A program in a thread of its own, with queues to and from the test."""

    def __init__(self, name):
        super().__init__(name)
        self.to_bus: queue.Queue[Any] = queue.Queue()
        self.from_bus: queue.Queue[Any] = queue.Queue()
        self.disconnected = False

    def connect(self):
        if self.name == "bad":
            raise BadInput.one("linkloss", "--open", "it cannot be opened")
        self.line.present("on")

    def disconnect(self):
        self.disconnected = True

    def read(self):
        try:
            one = self.to_bus.get(timeout=0.02)
        except queue.Empty:
            return
        if isinstance(one, Exception):
            raise one
        self.line.heard(one)

    def deliver(self, frame):
        self.from_bus.put(frame)

    def how_to_join(self):
        return ""

    def hear(self, identifier):
        while True:
            frame = self.from_bus.get(timeout=SOON)
            if frame.identifier == identifier:
                return frame


def reporting_car(folder):
    """Wren, whose rear node reports whether its accessory socket has voltage."""
    dbc = (ROOT / "dbc" / "wren.dbc").read_text(encoding="utf-8")
    before = ' SG_ SupplyVoltage : 16|8@1+ (0.1,0) [0|25.5] "V" dash\n'
    head, line, tail = dbc.partition("BO_ 514 RearStatus: 4 rear\n")
    more = before.replace("SupplyVoltage : 16|8@1+ (0.1,0)", "SocketOn : 15|1@1+ (1,0)")
    (folder / "wren.dbc").write_text(head + line + tail.replace(before, more + before, 1))
    text = (ROOT / "scenarios" / "wren" / "vehicle.toml").read_text(encoding="utf-8")
    text = text.replace("../../dbc/wren.dbc", "wren.dbc")
    rule = 'request = "BodyRequest.Accessory"\n'
    text = text.replace(rule, rule + 'reported = "RearStatus.SocketOn"\n')
    (folder / "vehicle.toml").write_text(text, encoding="utf-8")
    return load_vehicle(folder / "vehicle.toml")


def rear_status(vehicle, count, *, socket_on):
    """What a real rear node of Wren would send: counter, report and a good checksum."""
    info = vehicle.messages["RearStatus"]
    rest = bytes([count % 16 | socket_on << 7, 135, 9])
    good = (bytes([value]) + rest for value in range(256) if info.checksum(bytes([value]) + rest))
    return Frame(info.identifier, next(good))
