"""Logs made by hand, Wren's bundled drive, and where real recordings lie (if they do)."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import can
import pytest

from linkloss.vehicle.loading import Vehicle, load_vehicle

ROOT = Path(__file__).parents[2]
WREN = ROOT / "scenarios" / "wren"
DRIVE = WREN / "drive.log.gz"
REAL = ROOT.parent / "shared" / "data"
"""Logs of real vehicles under open licences (MIT, Apache-2.0). They are not part of the project;
tests that use them read them where they lie.
"""
MS = 1_000_000
S = 1_000_000_000

WRITERS = {
    ".log": can.CanutilsLogWriter,
    ".asc": can.ASCWriter,
    ".blf": can.BLFWriter,
    ".csv": can.CSVWriter,
    ".trc": can.TRCWriter,
}


@cache
def wren() -> Vehicle:
    return load_vehicle(WREN / "vehicle.toml")


def real(name: str) -> Path:
    path = REAL / name
    if not path.is_file():
        pytest.skip(f"the real recording {name} is not on this machine")
    return path


def text_log(path: Path, *rows: tuple[float, str], channel: str = "can0", tail: str = "") -> Path:
    """A SocketCAN text log out of (seconds, ID#DATA) rows."""
    lines = [f"({at:.6f}) {channel} {body}\n" for at, body in rows]
    path.write_text("".join(lines) + tail)
    return path


def messages(count: int = 50) -> list[can.Message]:
    """Data frames of both kinds, 10 ms apart, all different."""
    return [
        can.Message(
            timestamp=number / 100,
            arbitration_id=0x1ABCDE00 + number if number % 5 == 0 else 0x100 + number % 0x600,
            is_extended_id=number % 5 == 0,
            data=bytes([number % 256, number * 37 % 251][: 1 + number % 2]),
            channel=0,
        )
        for number in range(count)
    ]


def written(path: Path, found: list[can.Message]) -> Path:
    """The messages as python-can writes them, in the format of the extension."""
    with WRITERS[path.suffix](path) as writer:
        for message in found:
            writer.on_message_received(message)
    return path


CAR = Path(__file__).parent / "car"
"""A body node with a program, beside an engine and pedals that are logged."""


@cache
def logged_car(name: str = "vehicle") -> Vehicle:
    return load_vehicle(CAR / f"{name}.toml")


def car_log(path: Path, seconds: int = 8, *, pressed: tuple[float, float] = (3, 6)) -> Path:
    """What engine (every 10 ms, each with a content of its own) and pedals (every 20 ms, 3 ms
    behind) sent.
    """
    rows = [(n / 100, f"100#{n:016X}") for n in range(seconds * 100)]
    for n in range(seconds * 50):
        at_s = n / 50 + 0.003
        rows.append((at_s, f"110#{int(pressed[0] <= at_s < pressed[1]):02X}00"))
    return text_log(path, *sorted(rows))
