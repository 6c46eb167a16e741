"""Cars whose electrical side is sound, as text: 12 V, 24 V, and one with LEDs alone. A test changes
one thing and looks at what the plan says.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "vehicle"))
from written_car import WrittenCar

DBC = """VERSION ""

NS_ :

BS_:

BU_: rear

BO_ 512 RearStatus: 1 rear
 SG_ Alive : 0|1@1+ (1,0) [0|1] "" rear
"""
PROGRAMS = '''"""Each output follows the switch of its name."""

from linkloss_nodes import MS, Node


class Follower(Node):
    def start(self):
        self.written = {}
        self.board.every(5 * MS, self.look)
        self.look()

    def look(self):
        for name in self.board.settings["outputs"]:
            level = float(self.board.read("switch_" + name) == "on")
            if self.written.get(name) != level:
                self.written[name] = level
                self.board.write(name, level)
'''
HEAD = """title = "Sound"
dbc = "written.dbc"

[bus]
bit_rate = "250 kbit/s"
cable = ["rear", "dash"]

[nodes.dash]
python = "programs.py:Follower"
boot = "60 ms"
settings = {{ outputs = [] }}

[nodes.rear]
python = "programs.py:Follower"
boot = "60 ms"
settings = {{ outputs = {outputs} }}

[inputs.speed]
wired_to = ["dash"]
range = [0, 8000]
unit = "rpm"
"""
SUPPLY_12 = """
[supply]
battery = "12.6 V"
capacity = "60 Ah"
internal_resistance = "8 mohm"
ambient = "40 degC"

[supply.alternator]
volts = "14.2 V"
current = "90 A"
runs_while = "speed > 500"

[supply.starter]
switched_by = "starter"
current = "130 A"
stall = "420 A"
lead = { size = "25 mm2", length = "1.5 m" }

[nodes.rear.supply]
feed = { size = "16 mm2", length = "1.5 m", fuse = "80 A" }
ground = { size = "16 mm2", length = "0.5 m" }
current = "80 mA"
sleeping = "1 mA"
range = ["7.5 V", "16 V"]
brown_out = "5.6 V"

[nodes.dash.supply]
feed = { size = "0.75 mm2", length = "1.5 m", fuse = "3 A", fuse_type = "blade" }
ground = { size = "0.75 mm2", length = "0.5 m" }
current = "80 mA"
sleeping = "1 mA"
range = ["7.5 V", "16 V"]
brown_out = "5.6 V"
"""
LOADS_12 = {
    "lamp": """fuse = "15 A"
electrical.kind = "filament"
electrical.watts = "55 W"
electrical.count = 2
electrical.lead = { size = "2.5 mm2", length = "2 m" }
electrical.back = { size = "2.5 mm2", length = "0.4 m" }
electrical.solid_state = { limit = "80 A", trip = "20 A", on_resistance = "5 mohm" }
""",
    "pump": """fuse = "10 A"
electrical.kind = "motor"
electrical.amps = "6 A"
electrical.start = "16 A"
electrical.lead = { size = "1.5 mm2", length = "2 m" }
electrical.back = { size = "1.5 mm2", length = "0.4 m" }
electrical.relay = {}
""",
    "fan": """fuse = "30 A"
electrical.kind = "motor"
electrical.amps = "16 A"
electrical.start = "60 A"
electrical.start_time = "200 ms"
electrical.fuse_type = "maxi"
electrical.lead = { size = "4 mm2", length = "1.5 m" }
electrical.back = { size = "4 mm2", length = "0.4 m" }
electrical.relay = { contact = "2 mohm" }
""",
    "window": """fuse = "15 A"
electrical.kind = "heater"
electrical.amps = "10 A"
electrical.lead = { size = "2.5 mm2", length = "2 m" }
electrical.relay = {}
""",
    "tail": """fuse = "3 A"
electrical.kind = "led"
electrical.amps = "300 mA"
electrical.lead = { size = "0.75 mm2", length = "2 m" }
electrical.solid_state = { limit = "5 A", trip = "2 A", open_load = "30 mA" }
""",
    "starter": """fuse = "10 A"
electrical.kind = "solenoid"
electrical.amps = "3 A"
electrical.start = "10 A"
electrical.works_from = "5 V"
electrical.lead = { size = "1.5 mm2", length = "1.2 m" }
electrical.solid_state = { limit = "30 A", trip = "15 A" }
""",
}
SUPPLY_24 = (
    SUPPLY_12.replace("12.6 V", "25.2 V")
    .replace("14.2 V", "28.4 V")
    .replace('range = ["7.5 V", "16 V"]', 'range = ["15 V", "32 V"]')
    .replace("5.6 V", "11 V")
    .replace('stall = "420 A"', 'stall = "420 A"\nvolts = "24 V"')
)
LOADS_24 = {
    name: text.replace("electrical.kind", 'electrical.volts = "24 V"\nelectrical.kind')
    .replace("relay = {", 'relay = { coil = "300 ohm", pull_in = "15 V", drop_out = "6 V"')
    .replace('"6 V" contact', '"6 V", contact')
    .replace("works_from", 'holds_from = "12 V"\nelectrical.works_from')
    for name, text in LOADS_12.items()
}
SUPPLY_LED = (
    SUPPLY_12[: SUPPLY_12.index("[supply.starter]")]
    + SUPPLY_12[SUPPLY_12.index("[nodes.rear.supply]") :]
)
LOADS_LED = {
    name: LOADS_12["tail"].replace("300 mA", amps)
    for name, amps in (("left", "150 mA"), ("right", "150 mA"), ("head", "900 mA"))
}
SOUND = {
    "12 V": (SUPPLY_12, LOADS_12),
    "24 V": (SUPPLY_24, LOADS_24),
    "LED": (SUPPLY_LED, LOADS_LED),
}


class PowerCar(WrittenCar):
    """A car with a power node ``rear``; each load is on while its switch ``switch_NAME`` is."""

    def __init__(self, folder: Path, supply: str, loads: dict[str, str], more: str = "") -> None:
        super().__init__(folder)
        self.write("written.dbc", DBC)
        self.write("programs.py", PROGRAMS)
        text = HEAD.format(outputs=list(loads)) + supply
        for name, table in loads.items():
            text += f'\n[inputs.switch_{name}]\nwired_to = ["rear"]\npositions = ["off", "on"]\n'
            text += f'\n[loads.{name}]\nnode = "rear"\nlocal = "switch_{name} == on"\n{table}'
        self.write("vehicle.toml", text + more)


def sound_car(folder: Path, name: str = "12 V") -> PowerCar:
    """One of :data:`SOUND`."""
    return PowerCar(folder, *SOUND[name])
