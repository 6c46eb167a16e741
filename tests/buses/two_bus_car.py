"""A car with two buses and nothing between them: a light on the body's bus, a fan on the engine's.

Each bus has a node that asks and one that switches, and both have the same programs.
"""

from __future__ import annotations

from pathlib import Path

from linkloss.problem import BadInput
from linkloss.vehicle.loading import Vehicle, load_vehicle

DBC = """VERSION ""

NS_ :

BS_:

BU_: {asker} {switcher}

BO_ {request_id} {request}: 2 {asker}
 SG_ Checksum : 0|8@1+ (1,0) [0|255] "" {switcher}
 SG_ Counter : 8|4@1+ (1,0) [0|15] "" {switcher}
 SG_ On : 12|1@1+ (1,0) [0|1] "" {switcher}

BO_ {status_id} {status}: 1 {switcher}
 SG_ Lost : 0|1@1+ (1,0) [0|1] "" {asker}

BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_ SG_ "LinkRole" ENUM "payload","counter","checksum";
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "LinkRole" "payload";
BA_ "GenMsgCycleTime" BO_ {request_id} 50;
BA_ "GenMsgCycleTime" BO_ {status_id} 100;
BA_ "LinkRole" SG_ {request_id} Counter 1;
BA_ "LinkRole" SG_ {request_id} Checksum 2;
"""
BODY = DBC.format(
    asker="dash", switcher="rear", request="LampRequest", request_id=160, status="RearStatus",
    status_id=514,
)  # fmt: skip
ENGINE = DBC.format(
    asker="ecu", switcher="cooler", request="FanRequest", request_id=176, status="CoolerStatus",
    status_id=530,
)  # fmt: skip

PROGRAMS = '''"""The programs of all four nodes."""

import can

from linkloss_nodes import MS, Node


def crc8(data):
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF


class Sender(Node):
    def begin(self, name):
        self.own = self.board.messages.get_message_by_name(name).frame_id
        self.off_ns = self.board.now_ns() - 150 * MS
        self.board.start_watchdog(200 * MS)

    def hand_over(self, data):
        self.board.bus.flush_tx_buffer()
        message = can.Message(arbitration_id=self.own, data=data, is_extended_id=False)
        try:
            self.board.bus.send(message)
        except can.CanOperationError:
            if self.board.now_ns() - self.off_ns >= 150 * MS:
                self.off_ns = self.board.now_ns()
                self.board.recover_bus()
            return False
        return True


class Asker(Sender):
    def start(self):
        self.count, self.seen = 0, None
        self.begin(self.board.settings["request"])
        self.stable = self.board.read(self.board.settings["input"])
        self.board.every(10 * MS, self.look, first_ns=0)
        self.board.every(50 * MS, self.ask, first_ns=5 * MS)

    def look(self):
        before, self.seen = self.seen, self.board.read(self.board.settings["input"])
        if self.seen == before:
            self.stable = self.seen

    def ask(self):
        self.board.feed_watchdog()
        body = self.count | (self.stable == "on") << 4
        if self.hand_over([crc8([0, self.own, body]), body]):
            self.count = (self.count + 1) % 16


class Switcher(Sender):
    def start(self):
        self.begin(self.board.settings["status"])
        name = self.board.settings["request"]
        self.asked = self.board.messages.get_message_by_name(name).frame_id
        self.count, self.good, self.link = None, 0, "waiting"
        self.seen, self.seen_ns = -1, 0
        self.heard_ns = self.board.now_ns()
        self.switch(True)
        self.board.every(5 * MS, self.tick)
        self.board.every(100 * MS, self.tell, first_ns=5 * MS)

    def switch(self, on):
        self.board.write(self.board.settings["load"], float(on))

    def on_frame(self, message):
        data, other = bytes(message.data), message.is_extended_id or message.is_remote_frame
        if other or message.arbitration_id != self.asked or len(data) != 2:
            return
        if data[0] != crc8([0, self.asked, data[1]]):
            return
        now_ns, count = self.board.now_ns(), data[1] & 15
        repeats = count == self.seen and now_ns - self.seen_ns < 250 * MS
        self.seen, self.seen_ns = count, now_ns
        step = 1 if self.count is None else (count - self.count) % 16
        if repeats or not 0 < step <= 5:
            return
        self.count, self.heard_ns = count, now_ns
        self.good += 1
        if self.link == "fresh" or self.good > 1:
            self.link = "fresh"
            self.switch(data[1] >> 4 & 1)

    def tick(self):
        self.board.feed_watchdog()
        if self.board.now_ns() - self.heard_ns >= 250 * MS:
            self.link, self.count, self.good = "lost", None, 0
            self.switch(True)

    def tell(self):
        self.hand_over([self.link != "fresh"])


class Sticky(Switcher):
    """It keeps what was asked for last."""

    def tick(self):
        self.board.feed_watchdog()


class Gone(Switcher):
    """It never comes back from bus-off."""

    def start(self):
        super().start()
        self.board.recover_bus = lambda: None
'''

VEHICLE = """title = "Two buses"

[bus.body]
dbc = "body.dbc"
bit_rate = "125 kbit/s"
cable = ["dash", "rear"]

[bus.engine]
dbc = "engine.dbc"
bit_rate = "500 kbit/s"
cable = ["ecu", "cooler"]

[nodes.dash]
python = "programs.py:Asker"
boot = "100 ms"
watchdog = "250 ms"
status = "LampRequest"
settings = { input = "lights", request = "LampRequest" }

[nodes.rear]
python = "programs.py:Switcher"
boot = "100 ms"
watchdog = "250 ms"
status = "RearStatus"
settings = { load = "lamp", request = "LampRequest", status = "RearStatus" }

[nodes.ecu]
python = "programs.py:Asker"
boot = "100 ms"
watchdog = "250 ms"
status = "FanRequest"
settings = { input = "thermostat", request = "FanRequest" }

[nodes.cooler]
python = "programs.py:Switcher"
boot = "100 ms"
watchdog = "250 ms"
status = "CoolerStatus"
settings = { load = "fan", request = "FanRequest", status = "CoolerStatus" }

[inputs.lights]
wired_to = ["dash"]
positions = ["off", "on"]

[inputs.thermostat]
wired_to = ["ecu"]
positions = ["off", "on"]

[loads.lamp]
node = "rear"
request = "LampRequest.On"
stale_after = "250 ms"
on_stale = "on"
on_reset = "on"

[loads.fan]
node = "cooler"
request = "FanRequest.On"
stale_after = "250 ms"
on_stale = "on"
on_reset = "on"

[requests."LampRequest.On"]
follows = "lights == on"
debounce = "20 ms"

[requests."FanRequest.On"]
follows = "thermostat == on"
debounce = "20 ms"

[situations.idle]
inputs = { lights = "off", thermostat = "off" }
lasts = "3 s"

[[situations.idle.actions]]
at = "1 s"
set = { lights = "on", thermostat = "on" }

[[situations.idle.actions]]
at = "2 s"
set = { lights = "off", thermostat = "off" }
"""


class TwoBusCar:
    """The car in a folder of its own, as text that a test changes."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "vehicle.toml"
        for name, text in {"body.dbc": BODY, "engine.dbc": ENGINE, "programs.py": PROGRAMS}.items():
            (folder / name).write_text(text, encoding="utf-8")
        self.path.write_text(VEHICLE, encoding="utf-8")

    def change(self, old: str, new: str, file: str = "vehicle.toml") -> TwoBusCar:
        """Change the first place of a text in a file."""
        path = self.path.parent / file
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")
        return self

    def give(self, node: str, program: str) -> None:
        """Another program for a node."""
        at = f'[nodes.{node}]\npython = "programs.py:'
        self.change(f"{at}Switcher", f"{at}{program}")

    def load(self) -> Vehicle:
        """The car, checked."""
        return load_vehicle(self.path)

    def problems(self) -> list[str]:
        """What is said of it: ``place: text``."""
        try:
            self.load()
        except BadInput as error:
            return [f"{problem.where}: {problem.text}" for problem in error.problems]
        return []
