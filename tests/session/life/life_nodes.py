"""The programs of a car in which nothing happens yet."""

import can

from linkloss_nodes import MS, Node


class Idle(Node):
    """Does nothing at all."""


class Beat(Node):
    """Sends a counter every 50 ms, first 30 ms after power-up."""

    def start(self):
        self.count = 0
        self.board.every(50 * MS, self.beat, first_ns=10 * MS)

    def beat(self):
        self.count = (self.count + 1) % 256
        self.board.bus.send(
            can.Message(arbitration_id=256, data=[self.count], is_extended_id=False)
        )
