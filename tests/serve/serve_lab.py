"""A program outside, played by the test."""

from __future__ import annotations

import queue

from bench.model.problem import BadInput
from bench.serve.endpoint import Endpoint

SOON = 5.0


class Program(Endpoint):
    """A program in a thread of its own, with queues to and from the test."""

    def __init__(self, name):
        super().__init__(name)
        self.to_wire, self.from_wire = queue.Queue(), queue.Queue()
        self.disconnected = False

    def connect(self):
        if self.name == "bad":
            raise BadInput.one("linkloss", "--open", "it cannot be opened")
        self.line.present("on")

    def disconnect(self):
        self.disconnected = True

    def read(self):
        try:
            one = self.to_wire.get(timeout=0.02)
        except queue.Empty:
            return
        if isinstance(one, Exception):
            raise one
        self.line.heard(one)

    def deliver(self, frame):
        self.from_wire.put(frame)

    def how_to_join(self):
        return ""

    def hear(self, identifier):
        while True:
            frame = self.from_wire.get(timeout=SOON)
            if frame.identifier == identifier:
                return frame
