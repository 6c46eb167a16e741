"""Fresh wrong nodes, which the finder of causes was not written for, and a check of each car."""

from __future__ import annotations

from pathlib import Path

import fresh_a_nodes as fresh
from fresh_a_c import WRONG as IN_C
from fresh_a_scripts import WRONG as SCRIPTS
from fresh_a_sketches import WRONG as SKETCHES
from wrong_cars import Wrong
from wrong_list import WrongCar, of_demo_car, of_rear_in_c, of_rear_script, of_rear_sketch

NODES = [
    Wrong(
        fresh.SocketOnOnePosition, "dash", "none", "cranking", "BodyRequest.Accessory", "control",
        "",
    ),
    Wrong(fresh.ReadsInTurn, "dash", "none", "reversing", "BodyRequest.Horn", "control", ""),
    Wrong(
        fresh.TellsForAMoment, "dash", "unplug", "parked", "rear_lost", "notice", "", at="rear",
    ),
    Wrong(
        fresh.AveragesTheHeat, "engine", "none", "overheating", "EngineData.CoolantTemperature",
        "sensor", "",
    ),
    Wrong(fresh.RestartsWithTheKey, "engine", "none", "cranking", "engine", "program", ""),
    Wrong(fresh.WipesWhenAlone, "front", "unplug", "idle", "wiper", "stale", "", at="front"),
    Wrong(fresh.PanelAtFull, "gauge", "none", "night_drive", "panel_lamp", "fresh", ""),
    Wrong(
        fresh.WaitsForTheNextCount, "rear", "drop", "parked", "tail_left", "fresh", "",
        at="LampRequest",
    ),
]  # fmt: skip

LABELS = Path(__file__).parent / "fresh_a.toml"


def every() -> list[WrongCar]:
    """All of them."""
    return [
        *(of_demo_car("python", wrong) for wrong in NODES),
        *(of_rear_in_c("c", variant) for variant in IN_C),
        *(of_rear_sketch("sketch", variant) for variant in SKETCHES),
        *(of_rear_script("script", variant) for variant in SCRIPTS),
    ]
