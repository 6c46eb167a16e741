"""Wren with a rear node in C, wired to an I/O board."""

from __future__ import annotations

from pathlib import Path

from rear_cars import C_PINS, ROOT, wren_with_rear

REAR_C = ROOT / "nodes" / "firmware" / "rear.c"

IO = """
[io.rear]
supply = "relay1"
plug = "relay2"
reset = "relay3"

[io.rear.feels]
tail_left = "in1"
brake_lamps = "in2"
reverse_lamps = "in3"
indicator_rear_left = "in4"
indicator_rear_right = "in5"
accessory_socket = "in6"
fuel_pump = { line = "an1", on_from = 6 }
interior_lamp = "an2"

[io.rear.drives]
brake_pedal = { line = "out1", positions = ["pressed"] }
hazard = { line = "out2", positions = ["on"] }
reverse_gear = { line = "out3", positions = ["engaged"] }
ignition = { line = "out4", positions = ["on"] }
"""


def desk_text(source: Path = REAR_C, io: str = IO, tables: str = "") -> str:
    """The text of its vehicle file."""
    program = f'c = ["{source.as_posix()}"]\n'
    return wren_with_rear(program, C_PINS + tables) + io
