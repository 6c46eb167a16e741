"""What a check cannot judge of a vehicle is named, beside what its file says of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import demo_cases
import pytest
from demo_cases import wren_planned

from linkloss.campaign.asked import unmoved
from linkloss.campaign.depth import left_unjudged
from linkloss.campaign.plan import SOAK
from linkloss.campaign.result import CaseResult, CheckReport
from linkloss.campaign.rotation import ROLL_OVERS
from linkloss.campaign.untested import reasons
from linkloss.judge import Unjudged
from linkloss.problem import BadInput
from linkloss.report.words import untested_rules
from linkloss.vehicle.loading import load_vehicle
from linkloss.vehicle.tables import UnjudgedTable

ROOT = Path(__file__).parents[2]


@pytest.fixture
def wren():
    return demo_cases.wren()


def changed(vehicle, **fields):
    return replace(vehicle, file=vehicle.file.model_copy(update=fields))


def test_the_demo_leaves_nothing_unjudged_without_a_reason(wren):
    found = left_unjudged(wren)
    assert [entry.what for entry in found] == [
        "DashNotices.LinkWarning",
        "inputs of main_beam_telltale",
    ]
    assert all(entry.allowed for entry in found)


def test_an_input_that_no_situation_changes_says_why_a_load_is_not_exercised(wren):
    situations = {}
    for name, table in wren.situations.items():
        actions = [
            (act, {k: v for k, v in act.set.items() if k != "horn_button"}) for act in table.actions
        ]
        left = tuple(act.model_copy(update={"set": rest}) for act, rest in actions if rest)
        situations[name] = table.model_copy(update={"actions": left})
    still = changed(wren, situations=situations)
    assert unmoved(wren, "horn") == ()
    assert unmoved(still, "horn") == ("horn_button",)
    assert unmoved(still, "BodyRequest.Horn") == ("horn_button",)
    assert unmoved(still, "tail_left") == unmoved(still, "rear") == ()
    report = CheckReport(still, 0, (("horn", "fresh"), ("tail_left", "back")), [])
    reason = "no situation changes `horn_button`: add one that does"
    assert reasons(report, "horn", ["fresh", "end to end"]) == {reason: ["fresh", "end to end"]}
    assert untested_rules(report, "horn", ["fresh"]) == f"fresh ({reason})"
    assert reasons(report, "tail_left", ["fresh"]) == {"": ["fresh"]}
    assert reasons(replace(report, drive=Path("drive.log")), "horn", ["fresh"]) == {"": ["fresh"]}


def test_a_rule_whose_faults_were_not_tried_says_which(wren):
    cut = CaseResult("x", "night_drive", "cut+drop", "", None, 1, 0, ())
    report = CheckReport(wren, 0, (), [cut])
    assert untested_rules(report, "tail_left", ["back", "stopped", "stale"]) == (
        "back (it takes a fault of the kind brown_out, and none was tried), stopped (it takes a"
        " fault of the kind hang, and none was tried), stale"
    )
    hung = replace(cut, fault="hang+drop")
    assert untested_rules(CheckReport(wren, 0, (), [hung]), "tail_left", ["stopped"]) == "stopped"


def test_a_flash_that_no_situation_asks_for_long_enough_says_how_long(wren):
    short = {
        name: table.model_copy(update={"lasts": 1_000_000_000})
        for name, table in wren.situations.items()
    }
    report = CheckReport(changed(wren, situations=short), 0, (), [])
    told = untested_rules(report, "indicator_front_left", ["flash"])
    assert told.startswith("flash (no situation asks for it for long enough (")
    assert told.endswith("would do)")
    whole = CheckReport(wren, 0, (), [])
    assert untested_rules(whole, "indicator_front_left", ["flash"]) == "flash"


def test_a_condition_that_no_situation_can_meet_is_told(wren):
    calm = {
        name: table.model_copy(
            update={
                "inputs": {k: v for k, v in table.inputs.items() if k != "crash"},
                "actions": tuple(act for act in table.actions if "crash" not in act.set),
            }
        )
        for name, table in wren.situations.items()
    }
    report = CheckReport(changed(wren, situations=calm), 0, (), [])
    assert "no situation sets `crash`: add one in which" in untested_rules(
        report, "fuel_pump", ["trip"]
    )
    assert untested_rules(CheckReport(wren, 0, (), []), "fuel_pump", ["trip"]) == "trip"


def test_kinds_of_faults_that_nothing_can_have_are_named(wren):
    inputs = {k: v.model_copy(update={"bounces": False}) for k, v in wren.inputs.items()}
    found = left_unjudged(changed(wren, inputs=inputs))
    assert Unjudged("fault bounce", "no switch has 'bounces = true'") in found


def test_an_input_that_no_program_reads_has_no_faults(wren):
    """Of the switches that bounce, none is wired to a node with a program."""
    bouncing = {node for table in wren.inputs.values() if table.bounces for node in table.wired_to}
    found = left_unjudged(wren, bouncing)
    assert any(set(table.wired_to) - bouncing for table in wren.inputs.values())
    assert Unjudged("fault bounce", "no switch has 'bounces = true'") in found
    assert "fault stuck" not in {entry.what for entry in found}
    unread = [entry.what for entry in left_unjudged(wren, wren.nodes)]
    assert not any(what.startswith("fault ") for what in unread)


def test_a_car_without_a_supply_lacks_one_thing_and_not_one_for_each_fault(wren):
    ideal = changed(wren, supply=None)
    found = [entry.what for entry in left_unjudged(ideal)]
    assert "supply" in found
    assert not any(what.startswith("fault ") for what in found)


def test_what_the_file_allows_keeps_its_reason_beside_that_of_the_bench(wren):
    ideal = changed(wren, supply=None, unjudged=(UnjudgedTable(what="supply", reason="not yet"),))
    found = {entry.what: entry for entry in left_unjudged(ideal)}
    assert found["supply"].allowed == "not yet"
    assert "[supply]" in found["supply"].reason
    assert found["DashNotices.LinkWarning"].allowed == ""


def test_an_entry_that_excuses_nothing_is_told_with_the_nearest_name(wren):
    typed = UnjudgedTable(what="DashNotices.LinkWarnin", reason="a sum of others")
    found = {entry.what: entry for entry in left_unjudged(changed(wren, unjudged=(typed,)))}
    assert not found["DashNotices.LinkWarning"].allowed
    assert not found["DashNotices.LinkWarnin"].allowed
    assert "did you mean 'DashNotices.LinkWarning'?" in found["DashNotices.LinkWarnin"].reason


def test_a_request_without_a_counter_and_an_undeclared_chain_are_told_where_the_file_names_them(
    wren,
):
    whats = ("counter of BodyRequest", "counter of LampRequest", "end to end of horn")
    named = tuple(UnjudgedTable(what=what, reason="the car is like that") for what in whats)
    plain = replace(wren.messages["BodyRequest"], counter=None)
    messages = {**wren.messages, "BodyRequest": plain}
    requests = {name: table for name, table in wren.requests.items() if name != "BodyRequest.Horn"}

    def told(**fields):
        car = replace(changed(wren, **fields), messages=messages)
        return {entry.what: entry for entry in left_unjudged(car)}

    assert not any(what in told(requests=requests) for what in whats)
    found = told(requests=requests, unjudged=(*wren.file.unjudged, *named))
    assert found["counter of BodyRequest"].allowed == "the car is like that"
    assert "no counter" in found["counter of BodyRequest"].reason
    assert (
        found["end to end of horn"].reason
        == 'no [requests."BodyRequest.Horn"] says what it follows'
    )
    assert "nothing unjudged has that name" in found["counter of LampRequest"].reason
    car = replace(changed(wren, unjudged=named), messages=messages)
    logged = {entry.what: entry for entry in left_unjudged(car, ("dash",))}
    assert "comes from a log" in logged["end to end of horn"].reason


def test_a_roll_over_that_no_case_reaches_is_named(wren):
    cases = wren_planned("quick").cases
    assert left_unjudged(wren, (), cases) == left_unjudged(wren)
    short = [case for case in cases if case.counted_as != SOAK]
    still = [replace(case, clocks={**case.clocks, "rear": 0}) for case in short]
    named = {entry.what for entry in set(left_unjudged(wren, (), still)) - set(left_unjudged(wren))}
    assert named == {f"roll-over of rear's clock at {name}" for name in ROLL_OVERS}
    assert left_unjudged(wren, ("rear",), still) == left_unjudged(wren, ("rear",))


def test_an_entry_without_a_reason_is_bad_input(tmp_path):
    text = (ROOT / "scenarios" / "wren" / "vehicle.toml").read_text(encoding="utf-8")
    text = text.replace("../../dbc/wren.dbc", (ROOT / "dbc" / "wren.dbc").as_posix())
    reason = 'reason = "it sums up the notices of lost nodes, and each of those is judged"\n'
    assert reason in text
    (tmp_path / "vehicle.toml").write_text(text.replace(reason, ""), encoding="utf-8")
    with pytest.raises(BadInput) as raised:
        load_vehicle(tmp_path / "vehicle.toml")
    assert "unjudged[1].reason" in str(raised.value)
