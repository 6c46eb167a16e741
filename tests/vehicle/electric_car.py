"""The written car with an electrical side: a battery, a node on its leads, a lamp and a pump."""

from __future__ import annotations

from pathlib import Path

from written_car import VEHICLE, WrittenCar

SUPPLY = """
[supply]
battery = "12.6 V"
capacity = "60 Ah"
internal_resistance = "10 mohm"
ambient = "30 degC"

[supply.alternator]
current = "70 A"
runs_while = "speed > 5"
"""

NODE = """
[nodes.rear.supply]
feed = { size = "6 mm2", length = "4 m", fuse = "30 A" }
ground = { size = "6 mm2", length = "1 m" }
current = "100 mA"
sleeping = "1 mA"
brown_out = "6 V"

[nodes.dash.supply]
current = "100 mA"
sleeping = "1 mA"
"""

LOADS = """
[loads.tail.electrical]
kind = "filament"
watts = "21 W"
count = 2
lead = { size = "1.5 mm2", length = "3 m", colour = "grey" }
back = { size = "1.5 mm2", length = "1 m" }

[loads.stop.electrical]
kind = "motor"
amps = "6 A"
start = "14 A"
lead = { size = "16 AWG", length = "2 m" }
relay = {}
"""


class ElectricCar(WrittenCar):
    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        text = VEHICLE.replace("[inputs.lights]", f"{SUPPLY}{NODE}\n[inputs.lights]")
        text = text.replace("[requests.", f"{LOADS}\n[requests.", 1)
        text = text.replace(
            '[loads.tail]\nnode = "rear"', '[loads.tail]\nnode = "rear"\nfuse = "7.5 A"'
        )
        text = text.replace('output = "stop_lamp"', 'output = "stop_lamp"\nfuse = "10 A"')
        self.write("vehicle.toml", text)
