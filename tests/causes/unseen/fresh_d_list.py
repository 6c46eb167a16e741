"""Wrong nodes that the finder of causes has not seen, and a narrow check of each car."""

from __future__ import annotations

from pathlib import Path

import fresh_d_nodes as fresh
from wrong_cars import Wrong
from wrong_list import WrongCar, of_demo_car

NODES = [
    Wrong(
        fresh.LampOffWithTheDoor, "dash", "none", "parked", "BodyRequest.InteriorLamp", "control",
        "",
    ),
    Wrong(
        fresh.PrimesForAMoment, "engine", "none", "cranking", "EngineRequest.FuelPump", "control",
        "",
    ),
    Wrong(fresh.WiperStopsWhenLost, "front", "unplug", "rain", "wiper", "stale", "", at="dash"),
    Wrong(
        fresh.HazardLeadOnOneSide, "rear", "unplug", "hazards_ignition_off", "indicator_rear_left",
        "flash", "", at="rear",
    ),
    Wrong(fresh.PatientWithTheHorn, "dash", "none", "horn_stuck", "horn_stuck", "notice", ""),
]  # fmt: skip

LABELS = Path(__file__).parent / "fresh_d.toml"


def every() -> list[WrongCar]:
    """All of them."""
    return [of_demo_car("python", wrong) for wrong in NODES]
