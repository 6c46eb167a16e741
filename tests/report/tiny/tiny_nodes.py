"""The programs of the tiny car: they do what they are told and guard against nothing."""

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
        self.board.every(50 * MS, self.request, first_ns=1 * MS)
        self.board.every(100 * MS, self.status, first_ns=2 * MS)

    def request(self):
        _send(self, 256, [3 if self.board.read("lights") == "on" else 0])

    def status(self):
        _send(self, 512, [0])


class Rear(Node):
    def start(self):
        self.board.write("tail_lamp", 1.0)
        self.board.write("buzzer", 0.0)
        self.board.write("indicator", 0.0)
        self.board.every(100 * MS, self.status, first_ns=3 * MS)

    def status(self):
        _send(self, 514, [1])

    def on_frame(self, message):
        if message.arbitration_id == 256 and message.data:
            self.board.write("tail_lamp", float(message.data[0] & 1))
            self.board.write("buzzer", float(message.data[0] >> 1 & 1))
