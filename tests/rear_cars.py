"""The demo car's file with another program in its rear node, and the pins of its sketch."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parents[1]
WREN = ROOT / "scenarios" / "wren" / "vehicle.toml"
SKETCH_PINS = """
[nodes.rear.pins]
tail_left = 3
tail_right = 4
plate_lamp = 5
brake_lamps = 6
reverse_lamps = 7
indicator_rear_left = 8
indicator_rear_right = 9
fuel_pump = 22
interior_lamp = 23
accessory_socket = 24
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
