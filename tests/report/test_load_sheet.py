"""What a builder signs for: a load's rules in words, those that bound it included."""

from __future__ import annotations

from dataclasses import replace

from linkloss.report.html.sections import load_sheets
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import load_vehicle


def test_a_load_s_sheet_tells_what_outranks_its_request_and_what_loses_its_link():
    vehicle = load_vehicle(demo_vehicle())
    load = LoadTable.model_validate(
        {
            "node": "rear",
            "request": "LampRequest.Position == 1 or LampRequest.Hazard == 1",
            "level": "LampRequest.FlashTime",
            "stale_after": "250 ms",
            "on_stale": "hazard == on",
            "hold_for": "2 s",
            "then": "30 %",
            "on_reset": "off",
            "link": "DashNotices",
            "bus_off": "lost",
            "trip": {"when": "brake_pedal == pressed", "off_until": "ignition == off"},
            "longest_on": "60 s",
            "shortest_off": "2 s",
            "tries": {"most": 3, "pause": "500 ms"},
            "never": [{"when": "tail_left is off", "within": "50 ms"}],
        }
    )
    file = vehicle.file.model_copy(update={"loads": {"lamp": load}})
    (sheet,) = load_sheets(replace(vehicle, file=file), [])
    assert sheet.in_service == (
        "follows LampRequest.Position == 1 or LampRequest.Hazard == 1 within 20 ms;"
        " LampRequest.Position is set while lights in [position, dipped];"
        " LampRequest.Hazard is set while hazard == on; at the level of LampRequest.FlashTime"
    )
    assert sheet.link_lost == (
        "on while hazard == on after 250 ms without a good message; then 30 % after 2 s;"
        " lost when DashNotices is silent; lost at once when its node goes bus-off;"
        " follows again within 1 s"
    )
    assert sheet.bounds == (
        "never on while tail_left is off;"
        " off from brake_pedal == pressed until ignition == off; on for 60 s at most;"
        " off for 2 s at least; tried 3 times, 500 ms apart, then off"
    )


def test_whom_a_load_flashes_with_stands_beside_its_rate_and_not_among_its_limits():
    vehicle = load_vehicle(demo_vehicle())
    sheets = {sheet.name: sheet for sheet in load_sheets(vehicle, [])}
    left = sheets["indicator_front_left"]
    assert "times per minute, in step with indicator_rear_left" in left.in_service
    assert "in step" not in left.bounds
