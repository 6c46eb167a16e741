"""The control node of the drawn car: every message in its period, its newest content only."""

from __future__ import annotations

import can

from linkloss_nodes import MS, Node
from linkloss_nodes.protect import Protection

SENDS = {
    "LampRequest": {"Lamp": "lights", "Beam": "beam", "Blink": "blinker", "Dim": "dimmer"},
    "BodyRequest": {"Horn": "horn_button", "Pump": "engine"},
    "PlainRequest": {"Fan": "heat", "Door": "lid"},
    "DashStatus": {},
}
COUNTERS = {"LampRequest": "LampCounter", "BodyRequest": "BodyCounter"}


class Dash(Node):
    def start(self) -> None:
        self.board.start_watchdog(150 * MS)
        self.board.every(50 * MS, self.board.feed_watchdog)
        self.board.every(120 * MS, self.recover)
        for place, name in enumerate(SENDS):
            definition = self.board.messages.get_message_by_name(name)
            protection = Protection(definition)
            assert definition.cycle_time is not None
            period_ns = definition.cycle_time * MS
            first_ns = (1 + 3 * place) * MS
            self.board.every(period_ns, self.send, definition, protection, [0], first_ns=first_ns)

    def send(self, definition, protection, count) -> None:
        values = {signal.name: 0.0 for signal in definition.signals}
        for signal, name in SENDS[definition.name].items():
            value = self.board.read(name)
            values[signal] = value if isinstance(value, float) else float(value == "on")
        data = bytearray(definition.encode(values))
        protection.seal(data, count[0] + 1)
        message = can.Message(
            arbitration_id=definition.frame_id, data=bytes(data), is_extended_id=False
        )
        bus = self.board.bus
        if bus.state != can.BusState.ERROR:
            try:
                bus.send(message)
            except can.CanOperationError:
                bus.flush_tx_buffer()  # what waits there is old
                bus.send(message)
            count[0] += 1

    def recover(self) -> None:
        if self.board.bus.state == can.BusState.ERROR:
            self.board.recover_bus()
