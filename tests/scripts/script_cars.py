"""The demo car with a script in its rear node, and small scripts on a car of two nodes."""

from __future__ import annotations

from pathlib import Path

from rear_cars import ROOT, SKETCH_PINS, wren_with_rear

from linkloss.firmware.answers import Wiring
from linkloss.firmware.script import Script
from linkloss.vehicle.loading import Vehicle, load_vehicle

REAR_SCRIPT = ROOT / "nodes" / "linkloss_nodes" / "rear.py"
REAR_SKETCH = ROOT / "nodes" / "firmware" / "rear_sketch.ino"


def _car(folder: Path, program: str, tables: str = "") -> Vehicle:
    path = folder / "vehicle.toml"
    path.write_text(wren_with_rear(program, tables), encoding="utf-8")
    return load_vehicle(path)


def sketch_car(folder: Path, sketch: Path = REAR_SKETCH, tables: str = "") -> Vehicle:
    """Wren with a sketch in its rear node."""
    return _car(folder, f'c = ["{sketch.as_posix()}"]', SKETCH_PINS + tables)


def script_car(folder: Path, source: Path = REAR_SCRIPT) -> Vehicle:
    """Wren with a script in its rear node."""
    return _car(folder, f'script = "{source.as_posix()}"')


def script(folder: Path, text: str, wiring: Wiring | None = None, call_ns: int = 20_000) -> Script:
    """A script as a program for :func:`life_car.run`."""
    path = folder / f"script{len(list(folder.iterdir()))}.py"
    path.write_text(text, encoding="utf-8")
    return Script(path, wiring or Wiring(), call_ns)
