"""Wren by a few changed keys: cars that take the supply from their own nodes."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from linkloss.campaign.cases import CaseMaker
from linkloss.recording import Recording
from linkloss.session import simulate
from linkloss.vehicle.loading import Vehicle, load_vehicle

ROOT = Path(__file__).parents[2]
WREN = ROOT / "scenarios" / "wren" / "vehicle.toml"
MS = 1_000_000

WEAK_BATTERY = {'internal_resistance = "10 mohm"': 'internal_resistance = "45 mohm"'}
"""With it the starter motor pulls the car down to less than most processors bear."""
DECLARED = {
    'stall = "420 A"': 'stall = "420 A"\nmay_reset = ["dash", "engine", "front", "rear"]',
}
"""The vehicle says that a start may do that."""
FAN_ON_A_SMALL_FEED = {
    'length = "1.2 m", fuse = "80 A", colour = "red" }': 'length = "1.2 m", fuse = "20 A",'
    ' fuse_type = "blade", colour = "red" }',
    'amps = "16 A"\nstart = "60 A"\nstart_time = "250 ms"': 'amps = "5 A"\nstart = "150 A"\n'
    'start_time = "600 ms"',
}
"""The fan's start is more than the feed of its node was fused for; its own fuse bears it."""


@cache
def _changed(changes: tuple[tuple[str, str], ...]) -> Vehicle:
    text = WREN.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    text = text.replace("../../dbc/wren.dbc", (ROOT / "dbc" / "wren.dbc").as_posix())
    with TemporaryDirectory() as folder:
        path = Path(folder) / "vehicle.toml"
        path.write_text(text, encoding="utf-8")
        return load_vehicle(path)


def wren_with(*changes: Mapping[str, str]) -> Vehicle:
    """Wren with texts of its file replaced; each must stand there once."""
    return _changed(tuple(pair for change in changes for pair in change.items()))


def drive(vehicle: Vehicle, situation: str, *faults) -> Recording:
    """A situation of the car."""
    return simulate(CaseMaker(vehicle).case(situation, tuple(faults)))


def taken(recording: Recording) -> dict[str, set[str]]:
    """What took the supply of each node that lost it."""
    return {
        node: found
        for node, changes in recording.nodes.items()
        if (found := {change.by for change in changes if change.state == "off"})
    }
