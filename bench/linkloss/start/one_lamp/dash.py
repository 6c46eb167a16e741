"""The dash: sends the position of the light switch every 50 ms."""

import can

from linkloss_nodes import MS, Node

LAMP_REQUEST = 160


def crc8(data: bytes) -> int:
    """CRC-8 of SAE J1850: polynomial 0x1D, start value 0xFF, result inverted."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF


class Dash(Node):
    """Its whole program."""

    def start(self) -> None:
        self.count = self.refused = 0
        self.seen = self.stable = self.board.read("lights")
        self.board.start_watchdog(200 * MS)
        self.board.every(10 * MS, self.look, first_ns=0)
        self.board.every(50 * MS, self.send, first_ns=5 * MS)

    def look(self) -> None:
        """Contacts bounce: what counts is what was read twice."""
        before, self.seen = self.seen, self.board.read("lights")
        if self.seen == before:
            self.stable = self.seen

    def send(self) -> None:
        self.board.feed_watchdog()
        asked = self.stable == "on"
        body = self.count | asked << 4
        data = [crc8(bytes((0, LAMP_REQUEST, body))), body]
        message = can.Message(arbitration_id=LAMP_REQUEST, data=data, is_extended_id=False)
        self.board.bus.flush_tx_buffer()  # what still waits is old, and would go out first
        try:
            self.board.bus.send(message)
        except can.CanOperationError:  # off the bus
            self.refused += 1
            if self.refused % 2 == 0:  # not at once: what ails it may last, and others need the bus
                self.board.recover_bus()
        else:
            self.count = (self.count + 1) % 16
