"""The car with two buses, and a gateway on both: what the engine's node asks of the fan also lights
a lamp on the body's bus.
"""

from __future__ import annotations

from pathlib import Path

from two_bus_car import TwoBusCar

GATEWAY = '''

class Gate(Sender):
    """It passes the engine's request on to the body as its own message while it is fresh."""

    def start(self):
        messages = self.board.messages
        self.heard = messages.get_message_by_name("FanRequest").frame_id
        self.own = messages.get_message_by_name("PassedOn").frame_id
        self.count, self.on, self.heard_ns = 0, 0, None
        self.seen = None
        self.off_ns = {}
        self.board.start_watchdog(200 * MS)
        self.board.every(50 * MS, self.tell, first_ns=5 * MS)

    def on_frame(self, message):
        data = bytes(message.data)
        known = message.channel == "engine" and message.arbitration_id == self.heard
        if not known or message.is_extended_id or message.is_remote_frame or len(data) != 2:
            return
        if data[0] != crc8([0, self.heard, data[1]]):
            return
        count, before, self.seen = data[1] & 15, self.seen, data[1] & 15
        if before is None or not self.fresh() or 1 <= (count - before) % 16 <= 5:
            self.on, self.heard_ns = data[1] >> 4 & 1, self.board.now_ns()

    def fresh(self):
        return self.heard_ns is not None and self.board.now_ns() - self.heard_ns < 250 * MS

    def tell(self):
        self.board.feed_watchdog()
        for name, bus in self.board.buses.items():
            if bus.state is can.BusState.ERROR:
                if self.board.now_ns() - self.off_ns.get(name, -(10**9)) >= 150 * MS:
                    self.off_ns[name] = self.board.now_ns()
                    self.board.recover_bus(name)
        if not self.fresh():
            return
        body = self.count | self.on << 4
        bus = self.board.buses["body"]
        bus.flush_tx_buffer()
        data = [crc8([0, self.own, body]), body]
        try:
            bus.send(can.Message(arbitration_id=self.own, data=data, is_extended_id=False))
        except can.CanOperationError:
            return
        self.count = (self.count + 1) % 16


class OneSided(Gate):
    """It brings back its controller on the engine's bus only."""

    def start(self):
        super().start()
        recover = self.board.recover_bus
        self.board.recover_bus = lambda name: recover(name) if name == "engine" else None
'''

NODE = """[nodes.gate]
python = "programs.py:Gate"
buses = ["engine", "body"]
boot = "100 ms"
watchdog = "250 ms"

[inputs.lights]"""

PASSED_ON = """BO_ 177 PassedOn: 2 gate
 SG_ Checksum : 0|8@1+ (1,0) [0|255] "" rear
 SG_ Counter : 8|4@1+ (1,0) [0|15] "" rear
 SG_ On : 12|1@1+ (1,0) [0|1] "" rear

BA_DEF_ BO_ "GenMsg"""


ROUTE = """[routes.asked]
from = "FanRequest"
to = "PassedOn"
latency = "120 ms"
stale_after = "300 ms"
on_stale = "stop"

[routes.asked.signals]
On = { from = "On" }

[inputs.lights]"""


def gateway_car(folder: Path) -> TwoBusCar:
    """The car in a folder of its own."""
    car = TwoBusCar(folder)
    programs = folder / "programs.py"
    programs.write_text(programs.read_text(encoding="utf-8") + GATEWAY, encoding="utf-8")
    car.change('["dash", "rear"]', '["dash", "gate", "rear"]')
    car.change('["ecu", "cooler"]', '["ecu", "cooler", "gate"]')
    car.change("[inputs.lights]", NODE)
    car.change("BU_: dash rear", "BU_: dash rear gate", "body.dbc")
    car.change("BU_: ecu cooler", "BU_: ecu cooler gate", "engine.dbc")
    car.change('BA_DEF_ BO_ "GenMsg', PASSED_ON, "body.dbc")
    car.change('[0|1] "" cooler', '[0|1] "" cooler,gate', "engine.dbc")
    return car
