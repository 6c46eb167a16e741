"""The demo car with the shipped sketch as an image in its rear node."""

from __future__ import annotations

from pathlib import Path

from rear_cars import ROOT, SKETCH_PINS, wren_with_rear

from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.vehicle.loading import Vehicle, load_vehicle

SKETCH = ROOT / "nodes" / "firmware" / "rear_sketch.ino"
AVR = '\ntarget = "avr"\nboard = "mega"'


def image_car(folder: Path, sketch: Path = SKETCH, own: str = AVR, **changed: str) -> Vehicle:
    """That car, read from a file in a folder; ``changed``: what to replace in its file by what."""
    path = folder / "vehicle.toml"
    text = wren_with_rear(f'c = ["{sketch.as_posix()}"]{own}', SKETCH_PINS)
    for old, new in changed.items():
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    return load_vehicle(path)


def in_situation(vehicle: Vehicle, name: str, *faults: TimedFault, seed: int = 0) -> Scenario:
    """A situation of a car, with faults."""
    table = vehicle.situations[name]
    return Scenario(
        name=name, title="", vehicle=vehicle, situation=name, inputs=table.inputs,
        actions=tuple(TimedAction(action.at, action.set) for action in table.actions),
        faults=faults, lasts_ns=table.lasts, seed=seed,
    )  # fmt: skip
