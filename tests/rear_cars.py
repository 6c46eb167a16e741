"""The demo car's file with another program in its rear node, and the pins of that program."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parents[1]
WREN = ROOT / "scenarios" / "wren" / "vehicle.toml"
SKETCH_PINS = """
[nodes.rear.spi_can]
select = 53
interrupt = 2

[nodes.rear.pins]
tail_left = 3
tail_right = 4
plate_lamp = 5
brake_lamps = 6
reverse_lamps = 7
indicator_rear_left = 8
indicator_rear_right = 9
fuel_pump = 22
interior_lamp = 11
accessory_socket = 24
brake_pedal = 30
reverse_gear = 31
ignition = { pin = 32, positions = ["on"] }
hazard = 33
oil_pressure = 34
crash = 35

[nodes.rear.senses]
supply = { pin = 54, volts = "25 V" }
tail_left = { pin = 55, amps = "2.5 A" }
tail_right = { pin = 56, amps = "2.5 A" }
plate_lamp = { pin = 57, amps = "2.5 A" }
brake_lamps = { pin = 58, amps = "10 A" }
reverse_lamps = { pin = 59, amps = "10 A" }
indicator_rear_left = { pin = 60, amps = "5 A" }
indicator_rear_right = { pin = 61, amps = "5 A" }
fuel_pump = { pin = 62, amps = "20 A" }
interior_lamp = { pin = 63, amps = "2.5 A" }
"""

C_PINS = """
[nodes.rear.pins]
tail_left = 2
tail_right = 3
plate_lamp = 4
brake_lamps = 5
reverse_lamps = 6
indicator_rear_left = 7
indicator_rear_right = 8
fuel_pump = 9
interior_lamp = 10
accessory_socket = 11
brake_pedal = 14
reverse_gear = 15
ignition = { pin = 16, positions = ["on"] }
hazard = 17
oil_pressure = 18
crash = 19
"""


def wren_with_rear(program: str, tables: str = "") -> str:
    """Wren's vehicle file whose rear node has another program: lines of its table, and tables that
    follow it.
    """
    text = WREN.read_text(encoding="utf-8")
    text = text.replace("../../dbc/wren.dbc", (ROOT / "dbc" / "wren.dbc").as_posix())
    before, rest = text.split("[nodes.rear]", 1)
    rear, rest = rest.split("[nodes.rear.settings]", 1)
    after = rest[rest.index("[nodes.gauge]") :]
    rear = rear.replace('python = "linkloss_nodes.power:PowerNode"', program)
    return f"{before}[nodes.rear]{rear}\n{tables}\n{after}"
