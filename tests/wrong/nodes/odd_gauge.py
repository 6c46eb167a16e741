"""A gauge from another van: it has an extended message with the number of the lamp request."""

from __future__ import annotations

import contextlib

import can
from base_link import checksum

from linkloss_nodes import MS
from linkloss_nodes.gauge import GaugeNode

LAMP_REQUEST = 160


class OddGauge(GaugeNode):
    """The bundled gauge, with that message beside its own; it is lawful on the bus."""

    def start(self) -> None:
        super().start()
        self.count = 0
        self.board.every(50 * MS, self.send_foreign, first_ns=1500 * MS)

    def send_foreign(self) -> None:
        """Its content looks like "all lamps on"."""
        data = bytearray([0, 0x70 | self.count, 0, 0xFF])
        data[0] = checksum(LAMP_REQUEST, bytes(data))
        self.count = (self.count + 1) % 16
        with contextlib.suppress(can.CanOperationError):
            self.board.bus.send(
                can.Message(arbitration_id=LAMP_REQUEST, is_extended_id=True, data=bytes(data))
            )
