"""Further wrong nodes, and a narrow check of each car that catches it."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import further_nodes as further
import test_wrong_sleepers as sleepers
from further_c import WRONG as IN_C
from further_scripts import WRONG as SCRIPTS
from further_sketches import WRONG as SKETCHES
from starving_cars import wren_with
from wrong_cars import Wrong
from wrong_list import (
    WrongCar,
    checked_in_one_case,
    of_demo_car,
    of_rear_in_c,
    of_rear_script,
    of_rear_sketch,
    without_fault,
)

from linkloss.campaign.result import CheckReport

NODES = [
    Wrong(
        further.CopiedIndicator, "front", "none", "turning", "indicator_front_left", "flash", "",
    ),
    Wrong(further.OneCounterForAll, "dash", "none", "parked", "LampRequest", "cycle", ""),
    Wrong(
        further.NeverReleases, "rear", "stranger", "lane_change", "tail_left", "fresh", "",
        at="LampRequest",
    ),
    Wrong(
        further.RoundsForDebouncing, "dash", "none", "reversing", "BodyRequest.Horn", "control", "",
    ),
    Wrong(
        further.MicrosecondsOfSilence, "rear", "unplug", "braking", "tail_left", "stale", "",
        at="rear",
    ),
    Wrong(further.HoldsForEver, "rear", "unplug", "parked", "interior_lamp", "then", "", at="rear"),
    Wrong(
        further.Fahrenheit, "engine", "none", "idle", "EngineData.CoolantTemperature", "sensor", "",
    ),
    Wrong(further.FillsOnce, "dash", "none", "parked", "BodyRequest.Accessory", "control", ""),
    Wrong(
        further.AccessoryWithTheKeyOn, "dash", "none", "parked", "BodyRequest.Accessory", "control",
        "",
    ),
    Wrong(further.NoRestForTheStarter, "engine", "none", "false_start", "starter", "fresh", ""),
    Wrong(
        further.DistrustsForEver, "rear", "alter", "night_drive", "tail_left", "fresh", "",
        at="LampRequest",
    ),
    Wrong(further.LostForEver, "dash", "unplug", "parked", "rear_lost", "notice", "", at="rear"),
]  # fmt: skip

LABELS = Path(__file__).parent / "labels.toml"
SMALL_FUSE = {
    'about = "Cooling fan"\nfuse = "30 A"': 'about = "Cooling fan"\nfuse = "10 A"',
    'fuse_type = "maxi"\n': 'fuse_type = "blade"\n',
}


def every() -> list[WrongCar]:
    """All of them."""
    fan = partial(without_fault, wren_with(SMALL_FUSE), "overheating")
    return [
        *(of_demo_car("python", wrong) for wrong in NODES),
        WrongCar("python", "SleepsLate", _sleeps_late),
        WrongCar("python", "(fan on a small fuse)", checked_in_one_case(fan)),
        *(of_rear_in_c("c", variant) for variant in IN_C),
        *(of_rear_sketch("sketch", variant) for variant in SKETCHES),
        *(of_rear_script("script", variant) for variant in SCRIPTS),
    ]


def _sleeps_late(folder: Path) -> CheckReport:
    report: CheckReport = sleepers.checked(further.SleepsLate, situations=["parked"])
    return report
