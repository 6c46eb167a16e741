"""What a picture shows: lanes that agree with the recording and with the judge."""

from __future__ import annotations

import re
from dataclasses import replace

from html_values import failing_wren, passing_wren
from report_values import MS, recording, run_result

from linkloss.bus import BusRecord, Frame
from linkloss.campaign.run import run
from linkloss.campaign.selection import case_named
from linkloss.judge.case import Case
from linkloss.judge.states import FLASH, OFF, ON
from linkloss.judge.walk import Segment
from linkloss.recording import FaultRecord, NodeChange, series
from linkloss.report.html.lanes import HEIGHT, UNIT_NS, band, boxes, busy_shares, lanes, picture
from linkloss.report.html.render import ticks
from linkloss.report.html.scene import (
    Place,
    counter_lines,
    failed_attempts,
    frames_around,
    look,
    message_lines,
    traffic,
)


def found_lanes(*chosen: str):
    case = Case(run_result().scenario.vehicle, recording())
    return {lane.name: lane for lane in lanes(case, chosen, chosen)}


def test_a_voltage_that_moved_has_a_lane_and_one_that_did_not_has_none():
    run_of = recording()
    run_of.volts = {
        "dash": series((0, 12.6), (100 * MS, 12.1)),
        "rear": series((0, 12.0), (500 * MS, 4.0), (700 * MS, 12.0)),
        "front": series((0, 14.0), (500 * MS, 26.0)),
    }
    found = [
        lane
        for lane in lanes(Case(run_result().scenario.vehicle, run_of), ())
        if lane.group == "supply"
    ]
    assert [lane.name for lane in found] == ["rear, 0 to 16 V", "front, 0 to 40 V"]
    assert [level for _, _, level in found[0].levels] == [0.75, 0.25, 0.75]
    assert found[0].values == [(0, "12.0 V"), (500 * MS, "4.0 V"), (700 * MS, "12.0 V")]
    assert found[1].levels[-1] == (500 * MS, run_of.end_ns, 0.65)


def test_a_switch_that_is_off_is_drawn_in_no_trouble_and_a_node_without_supply_is():
    run_of = recording()
    run_of.inputs = run_of.inputs | {"lights": series((0, "on"), (100 * MS, "off"))}
    run_of.nodes = run_of.nodes | {
        "rear": [NodeChange(0, "running", ""), NodeChange(500 * MS, "off", "")]
    }
    drawn = picture(lanes(Case(run_result().scenario.vehicle, run_of), ()), run_of.end_ns, (0, 1))
    styles = {strip.name: dict(strip.paths) for strip in drawn.strips}
    assert not styles["lights"]["trouble"]
    assert styles["lights"]["set"]
    assert styles["rear"]["trouble"]


def test_the_lanes_go_from_causes_to_effects():
    groups = [lane.group for lane in found_lanes("tail_lamp").values()]
    assert list(dict.fromkeys(groups)) == [
        "faults",
        "inputs",
        "bus",
        "nodes",
        "loads",
        "other loads",
    ]


def test_an_input_that_never_moved_has_no_lane():
    assert "lights" in found_lanes()
    assert "speed" not in found_lanes()


def test_a_broken_load_comes_first_and_shows_where_it_was_wrong():
    lane = found_lanes("tail_lamp")["tail_lamp"]
    assert lane.mark == "broken"
    assert lane.wrong == [(80 * MS, 250 * MS)]
    assert [level for _, _, level in lane.levels] == [0.0, 1.0, 0.0]


def test_a_fault_that_never_clears_lasts_to_the_end():
    assert found_lanes()["mute"].stretches[0].to_ns == recording().end_ns


def test_the_cursor_tells_the_counters_of_a_controller():
    lane = found_lanes()["rear, controller"]
    assert lane.values == [
        (0, "error-active"),
        (600 * MS, "error-passive, TEC 128, REC 0"),
        (700 * MS, "bus-off, TEC 256, REC 0"),
    ]


def test_the_cursor_tells_what_a_load_did_and_what_it_might():
    lane = found_lanes("tail_lamp")["tail_lamp"]
    text = dict(lane.values)[812 * MS]
    assert text.startswith("off, allowed: ")


def test_the_allowed_band_is_upper_for_lit_lower_for_dark_and_both_for_flashing():
    parts = [
        Segment(0, 10, frozenset({ON}), "fresh"),
        Segment(10, 20, frozenset({ON, OFF}), "stale"),
        Segment(20, 30, frozenset({OFF}), "stale"),
        Segment(30, 40, frozenset({FLASH}), "fresh"),
    ]
    assert band(parts) == {"lit": [(0, 20), (30, 40)], "dark": [(10, 40)]}


def test_the_busy_share_counts_time_and_not_frames():
    frame = Frame(1, b"")
    spans = [(0, 40), (30, 60), (90, 110)]
    frames = [BusRecord(from_ns, to_ns, "a", frame) for from_ns, to_ns in spans]
    assert busy_shares(frames, 200, 100) == [(0, 100, 0.7), (100, 200, 0.1)]


def test_a_box_stands_where_its_span_is_and_the_shortest_can_still_be_seen():
    assert boxes([(5 * MS, 7 * MS)], 2, 10) == "M500 2h200v10h-200z"
    width = int(re.match(r"M500 2h(\d+)v", boxes([(5 * MS, 5 * MS)], 2, 10))[1])
    assert 0 < width * UNIT_NS < MS


def test_the_line_of_a_load_is_high_while_it_is_lit():
    drawn = picture([found_lanes("tail_lamp")["tail_lamp"]], recording().end_ns, (0, 1))
    (path,) = [path for style, path in drawn.strips[0].paths if style == "level"]
    assert path == "M0 21H25000V5H81200V21H600000"
    assert all(0 < int(y) < HEIGHT for y in re.findall(r"[V ](\d+)H", path))


def test_ticks_are_round_and_few():
    for end_ns in (3 * MS, 999 * MS, 3_433 * MS, 600_000 * MS):
        found = list(ticks(end_ns))
        assert 3 <= len(found) <= 10
        assert found[0][0] == 0
        assert len({text for _, text in found}) == len(found)


def test_the_frames_around_an_instant_are_those_before_and_behind_it():
    vehicle = run_result().scenario.vehicle
    lines = frames_around(vehicle, recording(), 35 * MS, ["LampRequest"])
    assert [line.identifier for line in lines] == ["100", "100", "202", "1ABCDE01"]
    assert [line.failed for line in lines] == [False, True, False, False]
    assert lines[0].since == "-14.65 ms"
    assert lines[0].message == "LampRequest"
    assert lines[0].asks
    assert lines[1].fate == "failed: disturbed by a fault"
    assert lines[2].data == "remote"
    assert lines[3].fate == "to dash; lost in a full receive FIFO: dash"


def test_the_last_request_is_shown_however_long_ago_it_came():
    vehicle = run_result().scenario.vehicle
    run_of = recording()
    status = Frame(514, b"\x01")
    sent = (BusRecord(at * MS, at * MS + MS, "rear", status) for at in range(60, 90))
    run_of.frames.extend(sent)
    lines = frames_around(vehicle, run_of, 91 * MS, ["LampRequest"])
    assert lines[0].message == "LampRequest"
    assert len(lines) == 1 + 8


def test_a_row_of_failed_attempts_does_not_crowd_out_the_rest():
    run_of = recording()
    lonely = Frame(514, b"\x01")
    run_of.frames.extend(
        BusRecord(at * MS, at * MS + MS, "rear", lonely, (), "ack") for at in range(60, 90)
    )
    lines = frames_around(run_result().scenario.vehicle, run_of, 91 * MS, [])
    assert sum(line.failed for line in lines) == 4
    assert len(lines) == 7


def test_the_bus_counts_frames_responses_and_failures():
    vehicle = run_result().scenario.vehicle
    found = {line.name: line for line in message_lines(vehicle, recording())}
    assert found["LampRequest"].frames == 1
    assert "(not in the DBC)" in found
    assert [fact.text for fact in failed_attempts(recording())] == ["1"]
    assert [(line.at, line.tec) for line in counter_lines(recording())] == [
        ("0.6000 s", 128),
        ("0.7000 s", 256),
    ]


def test_a_response_lasts_from_handing_over_to_the_end_of_the_frame():
    wren = passing_wren().vehicle
    result = run(case_named(wren, "braking/none"))
    lines = {line.name: line for line in message_lines(wren, result.recording)}
    assert set(lines) == set(result.recording.handed)
    for line in lines.values():
        assert re.fullmatch(r"\d+(\.\d+)? us|\d+(\.\d+)? ms", line.worst)
    page = traffic(wren, result.recording, "braking/none")
    assert re.fullmatch(
        r"A frame was on the bus for \d+ % .* for \d+ % in the busiest stretch\.", page.busy
    )


def test_a_look_at_a_finding_shows_the_same_break_as_the_check():
    report = failing_wren()
    finding = report.findings[0]
    result = run(case_named(report.vehicle, finding.case.name))
    verdict = finding.verdict
    scene = look(result, [Place(verdict.subject, verdict.rule, verdict.at_ns)])
    assert (verdict.subject, verdict.rule, verdict.at_ns) in scene.held
    assert [flag.at_ns for flag in scene.picture.flags] == [verdict.at_ns]
    strip = next(strip for strip in scene.picture.strips if strip.name == verdict.subject)
    (wrong,) = [path for style, path in strip.paths if style == "wrong"]
    assert wrong.startswith(f"M{verdict.at_ns // UNIT_NS} ")
    from_ns, to_ns = scene.picture.focus
    assert from_ns < finding.case.fault_ns < verdict.at_ns < to_ns


def test_a_level_in_between_is_drawn_in_between():
    run_of = recording()
    run_of.outputs["buzzer"] = series((0, 0.0), (MS, 0.5))
    run_of.faults[:] = [FaultRecord("cut", "x", "cable", False, (), 0, None)]
    case = Case(run_result().scenario.vehicle, run_of)
    lane = next(lane for lane in lanes(case, ["buzzer"]) if lane.name == "buzzer")
    drawn = picture([lane], run_of.end_ns, (0, 1))
    assert "V13H" in dict(drawn.strips[0].paths)["level"]


def test_a_load_that_kept_its_rules_is_not_marked_as_broken():
    report = passing_wren()
    name = report.rules[0].case.name
    scene = look(run(case_named(report.vehicle, name)), [Place("tail_left", "reset")])
    assert "tail_left" in [strip.name for strip in scene.picture.strips]
    assert {strip.mark for strip in scene.picture.strips} == {""}
    assert scene.picture.flags == ()


def test_a_fault_that_came_often_is_one_lane_with_its_name_at_the_last():
    run_of = recording()
    plug = FaultRecord("unplug", "the plug was pulled", "cable", False, (), 1 * MS, 2 * MS)
    run_of.faults[:] = [plug, replace(plug, applied_ns=5 * MS, cleared_ns=7 * MS)]
    first, *_ = lanes(Case(run_result().scenario.vehicle, run_of), [])
    assert [part.text for part in first.stretches] == ["", "the plug was pulled"]
    assert [at_ns for at_ns, text in first.values if text == "there"] == [1 * MS, 5 * MS]


def test_a_run_in_which_nothing_broke_shows_all_loads_that_moved():
    result = run(case_named(passing_wren().vehicle, "braking/none"))
    groups = {strip.group for strip in look(result, []).picture.strips}
    assert "loads" in groups
    assert "other loads" not in groups
