"""A drive as the situations of a check: windows at its own events, faults in them, verdicts."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

from linkloss.campaign.causes import diagnose_findings, place_of
from linkloss.campaign.check import cases_named, check
from linkloss.campaign.mechanism import Mechanism
from linkloss.campaign.run import run_case
from linkloss.campaign.selection import BEFORE_NS, TIMES, WHOLE, CheckRequest, Stage, stage
from linkloss.campaign.stories import Stories
from linkloss.judge import Outcome, declared_rules
from linkloss.logs.drive import Drive, Selection
from linkloss.problem import BadInput
from linkloss.report.words import command
from linkloss.vehicle.loading import Vehicle, load_vehicle

WREN = Path(__file__).parents[2] / "scenarios" / "wren"
DRIVE = WREN / "drive.log.gz"
MS = 1_000_000


@cache
def wren() -> Vehicle:
    return load_vehicle(WREN / "vehicle.toml")


def staged() -> Stage:
    return stage(wren(), DRIVE, None)


@cache
def cases():
    order = CheckRequest(wren().path, drive=DRIVE)
    return {case.name: case for case in order.cases(wren())}


def test_every_window_begins_well_before_its_first_event():
    for window in staged().windows.values():
        assert window.events[0].at_ns == BEFORE_NS
        assert all(event.event for event in window.events)


def test_each_kind_of_event_has_its_windows_and_none_more_than_needed():
    positions = {
        (name, value)
        for window in staged().windows.values()
        for event in window.events
        for name, value in event.values.items()
        if isinstance(value, str)
    }
    assert {("lights", "dipped"), ("start_button", "pressed"), ("hazard", "on")} <= positions
    assert len(staged().windows) <= TIMES * 40


def test_chosen_and_left_out_cases_are_all_that_there_are_and_an_event_is_explained():
    space = CheckRequest(wren().path, depth="quick", drive=DRIVE).planned(wren()).space
    said = " ".join(space.left_out)
    left = [int(found.replace(",", "")) for found in re.findall(r"Left out: ([\d,]+) cases", said)]
    assert len(left) == 2  # they show nothing new; no simulated node reads the input at fault
    assert space.chosen + sum(left) == space.singles
    assert "An event is a change of a switch, of a sensor or of what is asked for." in said


def test_windows_do_not_overlap_in_their_events():
    instants = [
        window.from_ns + event.at_ns
        for window in staged().windows.values()
        for event in window.events
    ]
    assert len(instants) == len(set(instants))


def test_faults_come_at_the_drives_own_events():
    found = [case for case in cases().values() if case.kinds == "cut"]
    assert len(found) > 20
    for case in found:
        [timed] = case.faults
        events = staged().windows[case.situation].events
        first_ns = timed.at_ns - 400_000_000  # it may begin some periods behind the event
        assert any(first_ns <= event.at_ns < timed.until_ns for event in events)


def test_the_whole_drive_is_tried_without_a_fault_and_only_so():
    found = [case for case in cases().values() if case.situation == WHOLE]
    assert [case.name for case in found] == [f"{WHOLE}/none"]
    assert found[0].lasts_ns == staged().drive.contents.length_ns


def test_an_input_that_no_program_reads_is_not_put_at_fault():
    """``stuck(horn_button)`` would change nothing: the dash comes from the log."""
    inputs = {
        timed.fault.input
        for case in cases().values()
        for timed in case.faults
        if timed.fault.group == "input"
    }
    assert "horn_button" not in inputs
    assert "hazard" in inputs  # wired to the front and the rear too


def test_a_case_plays_the_frames_of_its_window():
    case = next(case for case in cases().values() if case.situation != WHOLE)
    from_ns = staged().windows[case.situation].from_ns
    played = list(case.traffic.frames())
    drive = staged().drive
    expected = [
        (entry.at_ns - from_ns, entry.frame)
        for entry in staged().frames
        if from_ns + drive.lead_ns <= entry.at_ns <= from_ns + case.lasts_ns
    ]
    assert [(entry.at_ns, entry.frame) for entry in played] == expected
    assert played


def test_a_cut_in_a_window_puts_fail_safe_rules_to_the_test():
    dipped = {
        name
        for name, window in staged().windows.items()
        if any(event.values.get("lights") == "dipped" for event in window.events)
    }
    name = next(
        name
        for name, case in cases().items()
        if case.kinds == "cut" and case.situation in dipped and "gauge,rear" in name
    )
    result = run_case(cases()[name])
    kept = {(v.subject, v.rule) for v in result.verdicts if v.outcome is Outcome.KEPT}
    assert ("tail_left", "stale") in kept
    assert not [verdict for verdict in result.verdicts if verdict.broken]


def test_what_breaks_along_a_drive_is_told_with_its_cause(tmp_path):
    """The rear keeps its tail lamps lit without a link; here they have to go dark."""
    text = (WREN / "vehicle.toml").read_text(encoding="utf-8")
    head, tail = text.split("[loads.tail_left]")
    tail = tail.replace('on_stale = "on"', 'on_stale = "off"', 1)
    dbc = (WREN / "../../dbc/wren.dbc").resolve().as_posix()
    text = f"{head}[loads.tail_left]{tail}".replace("../../dbc/wren.dbc", dbc)
    (tmp_path / "vehicle.toml").write_text(text, encoding="utf-8")
    strict = load_vehicle(tmp_path / "vehicle.toml")
    name = next(n for n in cases() if "/cut(gauge,rear)" in n and "lights=dipped" in n)
    report = check(strict, drive=DRIVE, case=name, jobs=1)
    assert {place_of(finding) for finding in report.findings} == {("tail_left", "stale")}
    found = diagnose_findings(report, Stories(), jobs=1)
    diagnosis = found["tail_left", "stale"]
    assert (diagnosis.mechanism, diagnosis.node) == (Mechanism.SILENCE, "rear")


def test_a_report_names_the_drive_and_judges_only_what_was_simulated():
    name = next(name for name, case in cases().items() if case.kinds == "unplug")
    report = check(wren(), drive=DRIVE, case=name, jobs=1)
    assert len(report.cases) == 1
    assert f"--drive {DRIVE}" in command(report, next(iter(report.cases)))
    assert set(report.declared) == set(declared_rules(wren(), ("dash",)))
    assert ("LampRequest.Position", "control") not in report.declared
    assert ("tail_left", "end to end") not in report.declared
    assert ("tail_left", "stale") in report.declared


def test_a_case_of_a_drive_is_run_again_from_its_name_alone():
    name = next(name for name, case in cases().items() if case.kinds == "unplug")
    again = cases_named(wren(), 0, [name, "nowhere/none"], DRIVE)
    assert list(again) == [name]
    one, other = again[name], cases()[name]
    assert (one.inputs, one.actions, one.faults) == (other.inputs, other.actions, other.faults)
    assert list(one.traffic.frames()) == list(other.traffic.frames())
    assert cases_named(wren(), 0, [name]) == {}


@pytest.mark.slow
def test_the_command_of_a_case_names_the_nodes_that_were_named():
    report = check(wren(), drive=DRIVE, logged=("dash", "gauge"), case=f"{WHOLE}/none", jobs=1)
    assert "--logged dash gauge" in command(report, next(iter(report.cases)))
    assert not [subject for subject, _ in report.declared if subject == "link_lamp"]


@pytest.mark.parametrize("depth", ["pairs", "hunt"])
def test_depths_that_move_the_driver_are_refused(depth):
    with pytest.raises(BadInput, match="a drive is tried with one fault at a time"):
        check(wren(), drive=DRIVE, depth=depth, for_s=1.0)


def test_a_drive_in_which_nothing_happens_is_refused(tmp_path):
    path = tmp_path / "still.log"
    path.write_text("".join(f"({n}.000000) can0 700#00\n" for n in range(20)))
    with pytest.raises(BadInput, match="shows no change of an input"):
        Stage(Drive(path, wren(), Selection()))
