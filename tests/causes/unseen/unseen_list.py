"""Wrong nodes that the finder of causes was not written for, and a narrow check of each car."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

import unseen_nodes as unseen
from starving_cars import wren_with
from unseen_c import WRONG as IN_C
from unseen_scripts import WRONG as SCRIPTS
from unseen_sketches import WRONG as SKETCHES
from wrong_cars import Wrong, car
from wrong_list import (
    WrongCar,
    checked_in_one_case,
    of_demo_car,
    of_rear_in_c,
    of_rear_script,
    of_rear_sketch,
    without_fault,
)

from linkloss.campaign.check import check
from linkloss.campaign.result import CheckReport
from linkloss.vehicle.tables import SituationTable

NODES = [
    Wrong(
        unseen.DimmerHalved, "dash", "none", "night_drive", "LampRequest.PanelLevel", "sensor", "",
    ),
    Wrong(unseen.EitherWiper, "dash", "none", "rain", "BodyRequest.Wiper", "control", ""),
    Wrong(
        unseen.TouchFromRelease, "dash", "none", "lane_change", "LampRequest.IndicatorRight",
        "control", "",
    ),
    Wrong(unseen.SwappedNotices, "dash", "unplug", "parked", "front_lost", "notice", "", at="rear"),
    Wrong(
        unseen.PassesOnOneEnd, "dash", "fuse_blown", "shutting_down", "tail_left", "notice", "",
    ),
    Wrong(
        unseen.SendsTheOneBefore, "dash", "none", "reversing", "BodyRequest.Horn", "control", "",
    ),
    Wrong(unseen.SendsOnEveryEdge, "dash", "bounce", "night_drive", "LampRequest", "cycle", ""),
    Wrong(
        unseen.FanWithoutHysteresis, "engine", "none", "idle", "EngineRequest.CoolingFan",
        "control", "",
    ),
    Wrong(unseen.TwoPulses, "engine", "none", "idle", "EngineData.Speed", "sensor", ""),
    Wrong(
        unseen.DropsIgnitionWhileCranking, "engine", "none", "cranking", "ignition_feed", "local",
        "",
    ),
    Wrong(unseen.SilentWithoutKey, "engine", "none", "parked", "EngineData", "cycle", ""),
    Wrong(
        unseen.AsksInTheWrongState, "engine", "bus_off", "night_drive", "engine", "rejoin", "",
        at="engine",
    ),
    Wrong(
        unseen.OneHeartbeatForAll, "front", "unplug", "idle", "cooling_fan", "stale", "",
        at="engine",
    ),
    Wrong(unseen.OneSwitchAtATime, "front", "none", "night_drive", "low_beam_right", "fresh", ""),
    Wrong(unseen.DimsAtHighVoltage, "front", "none", "night_drive", "low_beam_left", "fresh", ""),
    Wrong(
        unseen.SteadyTelltale, "gauge", "none", "hazards_ignition_off", "hazard_telltale", "flash",
        "",
    ),
    Wrong(
        unseen.MainBeamTelltaleAlone, "gauge", "none", "night_drive", "main_beam_telltale",
        "fresh", "",
    ),
    Wrong(unseen.KeptAwakeByFrames, "gauge", "none", "shutting_down", "gauge", "asleep", ""),
    Wrong(
        unseen.WarningsDarkWhenLost, "gauge", "unplug", "idle", "overheat_lamp", "stale", "",
        at="engine",
    ),
    Wrong(unseen.SavesTheBattery, "rear", "none", "parked", "interior_lamp", "fresh", ""),
    Wrong(unseen.SlowLever, "rear", "none", "reversing", "reverse_lamps", "local", ""),
    Wrong(
        unseen.SocketOnOnePosition, "dash", "none", "cranking", "BodyRequest.Accessory", "control",
        "",
    ),
    Wrong(unseen.ReadsInTurn, "dash", "none", "reversing", "BodyRequest.Horn", "control", ""),
    Wrong(
        unseen.TellsForAMoment, "dash", "unplug", "parked", "rear_lost", "notice", "", at="rear",
    ),
    Wrong(
        unseen.AveragesTheHeat, "engine", "none", "overheating", "EngineData.CoolantTemperature",
        "sensor", "",
    ),
    Wrong(unseen.RestartsWithTheKey, "engine", "none", "cranking", "engine", "program", ""),
    Wrong(unseen.WipesWhenAlone, "front", "unplug", "idle", "wiper", "stale", "", at="front"),
    Wrong(unseen.PanelAtFull, "gauge", "none", "night_drive", "panel_lamp", "fresh", ""),
    Wrong(
        unseen.WaitsForTheNextCount, "rear", "drop", "parked", "tail_left", "fresh", "",
        at="LampRequest",
    ),
    Wrong(
        unseen.LampOffWithTheDoor, "dash", "none", "parked", "BodyRequest.InteriorLamp", "control",
        "",
    ),
    Wrong(
        unseen.PrimesForAMoment, "engine", "none", "cranking", "EngineRequest.FuelPump", "control",
        "",
    ),
    Wrong(unseen.WiperStopsWhenLost, "front", "unplug", "rain", "wiper", "stale", "", at="dash"),
    Wrong(
        unseen.HazardLeadOnOneSide, "rear", "unplug", "hazards_ignition_off", "indicator_rear_left",
        "flash", "", at="rear",
    ),
    Wrong(unseen.PatientWithTheHorn, "dash", "none", "horn_stuck", "horn_stuck", "notice", ""),
]  # fmt: skip

LABELS = Path(__file__).parent / "labels.toml"
IN_GEAR = SituationTable.model_validate(
    {
        "about": "The starter with the foot off the clutch",
        "inputs": {"ignition": "on"},
        "actions": [
            {"at": "923 ms", "set": {"start_button": "pressed"}},
            {"at": "1523 ms", "set": {"start_button": "released"}},
        ],
        "lasts": "3 s",
    }
)
TRIPS_TOO_SOON = {
    'solid_state = { limit = "70 A", trip = "20 A"': 'solid_state = { limit = "70 A", trip = "6 A"',
}


def every() -> list[WrongCar]:
    """All of them."""
    trips = partial(without_fault, wren_with(TRIPS_TOO_SOON), "night_drive")
    return [
        *(of_demo_car("python", wrong) for wrong in NODES),
        WrongCar("python", unseen.ClutchForgotten.__name__, _started_in_gear),
        WrongCar("python", "(switch that trips too soon)", checked_in_one_case(trips)),
        *(of_rear_in_c("c", variant) for variant in IN_C),
        *(of_rear_sketch("sketch", variant) for variant in SKETCHES),
        *(of_rear_script("script", variant) for variant in SCRIPTS),
    ]


def _started_in_gear(folder: Path) -> CheckReport:
    vehicle = car({"dash": unseen.ClutchForgotten})
    file = vehicle.file.model_copy(update={"situations": {"in_gear": IN_GEAR}})
    return check(replace(vehicle, file=file), case="in_gear/none", jobs=1)
