"""The programs of the small car: as plain as can be, nothing guards against anything."""

import can

from linkloss_nodes import MS, Node


def _send(node, identifier, data):
    message = can.Message(arbitration_id=identifier, data=data, is_extended_id=False)
    try:
        node.board.bus.send(message)
    except can.CanOperationError:
        if node.board.bus.state == can.BusState.ERROR:
            node.board.recover_bus()


class Dash(Node):
    def start(self):
        self.counter = 0
        self.board.every(50 * MS, self.request, first_ns=1 * MS)
        self.board.every(100 * MS, self.status, first_ns=2 * MS)

    def request(self):
        lamp = self.board.read("lights") == "on"
        self.counter = (self.counter + 1) % 16
        _send(self, 256, [lamp | 2 << 1, self.counter, 0xAA])

    def status(self):
        _send(self, 512, [1])


class Power(Node):
    def start(self):
        self.board.write(self.board.settings["lamp"], 0.0)
        self.board.every(100 * MS, self.status, first_ns=3 * MS)
        if "watchdog_ms" in self.board.settings:
            self.board.start_watchdog(self.board.settings["watchdog_ms"] * MS)
            self.board.every(20 * MS, self.board.feed_watchdog)

    def status(self):
        _send(self, self.board.settings["status"], [1])

    def on_frame(self, message):
        if message.arbitration_id == 256 and message.data:
            self.board.write(self.board.settings["lamp"], float(message.data[0] & 1))
