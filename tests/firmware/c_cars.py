"""The demo car with a rear node in C, as it is or with one mistake switched on."""

from __future__ import annotations

from pathlib import Path

from rear_cars import C_PINS, ROOT, wren_with_rear

from linkloss.firmware.build import BuildOptions
from linkloss.vehicle.loading import Vehicle, load_vehicle

REAR_C = ROOT / "nodes" / "firmware" / "rear.c"


def rear_in_c(source: Path = REAR_C, more: str = "", tables: str = "") -> str:
    """Wren's vehicle file with a C program in the rear node."""
    return wren_with_rear(f'c = ["{source.as_posix()}"]\n{more}', C_PINS + tables)


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
