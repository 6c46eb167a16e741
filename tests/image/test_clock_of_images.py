"""The core's counter of milliseconds is set where the program begins, so that cases meet each of
its roll-overs in the seconds that they last.
"""

from __future__ import annotations

from dataclasses import replace

from rear_cars import ROOT
from test_wrong_images import WRONG, write_car

from linkloss.campaign.plan import plan
from linkloss.campaign.rotation import ROLL_OVERS, roll_overs, rolled_over
from linkloss.judge import judge
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle

MS = 1_000_000
NEGATIVE = "15-bit ms"
MOST_CASES = 8


def test_a_car_without_an_image_has_no_int_of_16_bits():
    wren = load_vehicle(ROOT / "scenarios" / "wren" / "vehicle.toml")
    assert roll_overs(wren) == ROLL_OVERS


def test_cases_meet_where_an_int_of_milliseconds_becomes_negative(tmp_path):
    """No case runs for the 32.7 s that it takes, and a few of them show the mistake."""
    (wrong,) = (each for each in WRONG if each.name == "milliseconds_in_an_int")
    vehicle = write_car(tmp_path, replace(wrong, vehicle=()))
    assert roll_overs(vehicle)[NEGATIVE] == 32_768 * MS
    cases = plan(vehicle)
    met = {entry for case in cases for entry in rolled_over(case)}
    assert met == {(node, name) for node in vehicle.nodes for name in roll_overs(vehicle)}
    rolled = [case for case in cases if ("rear", NEGATIVE) in rolled_over(case)]
    assert max(case.lasts_ns for case in rolled) < 20_000 * MS
    rolled.sort(key=lambda case: case.lasts_ns)
    for case in rolled[:MOST_CASES]:
        if any(each.broken for each in judge(vehicle, simulate(case))):
            break
    else:
        raise AssertionError("none of them shows it")
