"""The demo car with a script in its rear node, and small scripts on a car of two nodes."""

from __future__ import annotations

from pathlib import Path

from linkloss.firmware.answers import Wiring
from linkloss.firmware.script import Script
from linkloss.vehicle.loading import Vehicle, load_vehicle

ROOT = Path(__file__).parents[2]
WREN = ROOT / "scenarios" / "wren" / "vehicle.toml"
REAR_SCRIPT = ROOT / "nodes" / "linkloss_nodes" / "rear.py"
REAR_SKETCH = ROOT / "nodes" / "firmware" / "rear_sketch.ino"
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


def wren_with_rear(folder: Path, program: str, tables: str = "") -> Vehicle:
    """Wren whose rear node has another program: lines of its table."""
    text = WREN.read_text(encoding="utf-8")
    text = text.replace("../../dbc/wren.dbc", (ROOT / "dbc" / "wren.dbc").as_posix())
    before, rest = text.split("[nodes.rear]", 1)
    rear, rest = rest.split("[nodes.rear.settings]", 1)
    after = rest[rest.index("[nodes.gauge]") :]
    rear = rear.replace('python = "linkloss_nodes.power:PowerNode"', program)
    path = folder / "vehicle.toml"
    path.write_text(f"{before}[nodes.rear]{rear}\n{tables}\n{after}", encoding="utf-8")
    return load_vehicle(path)


def sketch_car(folder: Path, sketch: Path = REAR_SKETCH, tables: str = "") -> Vehicle:
    """Wren with a sketch in its rear node."""
    return wren_with_rear(folder, f'c = ["{sketch.as_posix()}"]', SKETCH_PINS + tables)


def script_car(folder: Path, source: Path = REAR_SCRIPT) -> Vehicle:
    """Wren with a script in its rear node."""
    return wren_with_rear(folder, f'script = "{source.as_posix()}"')


def script(folder: Path, text: str, wiring: Wiring | None = None, call_ns: int = 20_000) -> Script:
    """A script as a program for :func:`life_car.run`."""
    path = folder / f"script{len(list(folder.iterdir()))}.py"
    path.write_text(text, encoding="utf-8")
    return Script(path, wiring or Wiring(), call_ns)
