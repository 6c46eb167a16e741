"""The closed loop on real time: the bench, an I/O board, a C node behind an adapter. What is wrong
is caught through it, and what is right is not called broken.

How late this computer is decides nothing: a case in which it held up the node runs again, and one
that it never lets run in time says so and is left out.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from desk_car import REAR_C
from loop_lab import PUNCTUAL_MS, Judged, closed_loop, roomy_car

from linkloss.judge import Outcome
from linkloss.problem import BadInput

sys.path.append(str(Path(__file__).parents[1] / "firmware"))
from wrong_variants import WRONG

pytestmark = pytest.mark.slow
TRIES = 4
FINE = "30 ms"
CASES = {
    "no_time_out": "braking/unplug(rear)@1910ms+1551ms",
    "any_frame_refreshes": "turning/drop(LampRequest,rear)@250ms+1743ms",
    "refused_frame_refreshes": "parked/alter(LampRequest)@699ms+1768ms",
    "one_miss_trips": "lane_change/drop(LampRequest,rear)@685ms+96ms",
    "ignores_the_checksum": "lane_change/alter(LampRequest)@628ms+1551ms",
    "zeros_before_the_first_frame": "night_drive/unplug(rear)@499ms+1570ms/reset(rear)@499ms",
    "never_returns": "night_drive/unplug(rear)@2432ms+1550ms",
    "time_out_on_arrival": "night_drive/unplug(rear)@2432ms+1550ms",
    "bites_itself": "idle/none",
    "pins_high_at_boot": "reversing/reset(rear)@1895ms",
    "flasher_restarted_by_frames": "hazards_ignition_off/none",
    "waits_for_a_frame": "braking/unplug(rear)@1910ms+1551ms",
    "follows_a_null_pointer": "night_drive/unplug(rear)@2432ms+1550ms",
    "polls_too_slowly": "braking/none",
    "prints_too_much": "braking/none",
}
"""The wrong programs whose mistake the board or the bench brings out, each with a case for it."""
IN_A_FINE_CAR = ("polls_too_slowly", "prints_too_much")
"""Those that are late by less than a roomy car allows."""


def fit(judged: Judged) -> bool:
    """Whether the computer let the node, the board and the bench do their work."""
    return judged.late_ms <= PUNCTUAL_MS and not (judged.run.desk.doubt or judged.run.outside.doubt)


def tried(vehicle, source, name, wanted):
    """The first run of a case that is fit, and of which ``wanted`` holds; else the last one."""
    with closed_loop(vehicle, source) as loop:
        for _ in range(TRIES):
            judged = loop.run(name)
            if fit(judged) and wanted(judged):
                break
    return judged


@pytest.mark.parametrize("name", CASES)
def test_a_wrong_node_is_caught_and_its_right_twin_is_not_called_broken(tmp_path, name):
    variant = next(each for each in WRONG if each.name == name)
    vehicle = roomy_car(tmp_path, FINE if name in IN_A_FINE_CAR else "100 ms")
    right = tried(vehicle, REAR_C, CASES[name], lambda judged: not judged.broken)
    if not fit(right):
        pytest.skip(
            f"this computer was too busy: late by {right.late_ms} ms, {right.run.desk.doubt}"
        )
    assert right.broken == set()
    assert any(verdict.outcome is Outcome.KEPT for verdict in right.verdicts)
    wrong = tried(
        vehicle, variant.written(REAR_C, tmp_path), CASES[name], lambda judged: bool(judged.broken)
    )
    if not fit(wrong):
        pytest.skip(
            f"this computer was too busy: late by {wrong.late_ms} ms, {wrong.run.desk.doubt}"
        )
    assert wrong.broken, "nothing was found in several runs"


def test_a_board_whose_clock_is_off_by_one_percent_changes_nothing(tmp_path):
    vehicle = roomy_car(tmp_path)
    with closed_loop(vehicle, rate=0.99) as loop:
        judged = loop.run("night_drive/unplug(rear)@2432ms+1550ms")
    if not fit(judged):
        pytest.skip(f"this computer was too busy: late by {judged.late_ms} ms")
    assert judged.broken == set()
    assert ("accessory_socket", "stale") in {
        (v.subject, v.rule) for v in judged.verdicts if v.outcome is Outcome.KEPT
    }


def test_a_board_that_is_gone_judges_nothing(tmp_path):
    vehicle = roomy_car(tmp_path)
    with closed_loop(vehicle) as loop:
        loop.there.board.process.kill()  # a broken wire, right after the case began
        with pytest.raises(BadInput, match="--io"):
            loop.run("braking/none")
