"""The demo car with a rear node in C, as it is or with one mistake switched on."""

from __future__ import annotations

from pathlib import Path

from linkloss.firmware.build import BuildOptions
from linkloss.vehicle.loading import Vehicle, load_vehicle

ROOT = Path(__file__).parents[2]
WREN = ROOT / "scenarios" / "wren" / "vehicle.toml"
REAR_C = ROOT / "nodes" / "firmware" / "rear.c"
PINS = """
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


def rear_in_c(source: Path = REAR_C, more: str = "", tables: str = "") -> str:
    """Wren's vehicle file with a C program in the rear node."""
    text = WREN.read_text(encoding="utf-8")
    text = text.replace("../../dbc/wren.dbc", (ROOT / "dbc" / "wren.dbc").as_posix())
    before, rest = text.split("[nodes.rear]", 1)
    rear, rest = rest.split("[nodes.rear.settings]", 1)
    after = rest[rest.index("[nodes.gauge]") :]
    rear = rear.replace(
        'python = "linkloss_nodes.power:PowerNode"', f'c = ["{source.as_posix()}"]\n{more}'
    )
    return f"{before}[nodes.rear]{rear}{PINS}{tables}\n{after}"


def c_car(
    folder: Path,
    source: Path = REAR_C,
    more: str = "",
    tables: str = "",
    build: BuildOptions | None = None,
) -> Vehicle:
    """That car, read from a file in a folder."""
    path = folder / "vehicle.toml"
    path.write_text(rear_in_c(source, more, tables), encoding="utf-8")
    return load_vehicle(path, build)
