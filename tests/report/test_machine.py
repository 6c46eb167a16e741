"""JSON and JUnit XML."""

from __future__ import annotations

import json
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest
from report_values import MS, broken, case, kept, mixed_report, report, run_result, untested

from linkloss.campaign.result import CAUTION
from linkloss.report.junit import junit_xml
from linkloss.report.machine import check_json, run_json


def test_a_check_as_json_says_what_the_screen_says():
    found = json.loads(check_json(mixed_report()))
    assert found["format"] == "linkloss check"
    assert found["version"] == 1
    assert found["exit_code"] == 1
    assert found["caution"] == CAUTION
    assert found["totals"] == {
        "cases": 2,
        "simulated_ns": 12_000 * MS,
        "frames": 200,
        "rules_kept": 4,
        "rules_broken": 2,
        "rules_not_exercised": 1,
        "smallest_margin": {
            "margin_ns": 8 * MS,
            "subject": "tail_lamp",
            "rule": "fresh",
            "case": "night/cut(dash,rear)@500ms",
        },
    }
    assert found["not_exercised"] == [["buzzer", "then"]]
    assert found["groups"]["Loads"] == ["tail_lamp", "buzzer"]
    assert ["tail_lamp", "cut", "broken", -4700 * MS, ["stale"]] in found["table"]
    finding = found["findings"][0]
    assert finding["sentence"] == (
        "tail_lamp went dark 312 ms after the cable between dash and rear was cut;"
        " rule: stale (hold); wrong for 4.7 s"
    )
    assert finding["command"] == (
        "linkloss check car/vehicle.toml --case 'night/cut(dash,rear)@500ms'"
    )
    assert (finding["at_ns"], finding["wrong_for_ns"]) == (812 * MS, 4700 * MS)


def test_the_smallest_margin_is_of_a_rule_that_is_kept_in_every_case():
    """A margin of 2 ms counts for nothing where the rule breaks in another case."""
    made = report(
        case("cut", kept("tail_lamp", "stale", 2), kept("tail_lamp", "fresh", 8)),
        case("reset", broken("tail_lamp", "stale", "was off"), kept("tail_lamp", "fresh", 40)),
    )
    least = json.loads(check_json(made))["totals"]["smallest_margin"]
    assert (least["rule"], least["margin_ns"]) == ("fresh", 8 * MS)
    assert least["case"] == made.cases[0].name
    alone = report(case("cut", broken("tail_lamp", "stale", "was off")))
    assert json.loads(check_json(alone))["totals"]["smallest_margin"] is None


def test_a_case_in_json_lists_only_the_rules_that_it_put_to_the_test():
    entry = json.loads(check_json(mixed_report()))["cases"][0]
    kept = ["tail_lamp", "fresh", "kept", 12_500_000, None, None, None, "", "", [], 0, "", ""]
    assert entry["verdicts"] == [kept]


def test_a_rule_that_was_not_exercised_names_no_case():
    rules = json.loads(check_json(mixed_report()))["rules"]
    entry = next(rule for rule in rules if rule["rule"] == "then")
    assert entry["outcome"] == "not exercised"
    assert entry["case"] is None


def test_a_run_as_json_holds_the_whole_recording():
    found = json.loads(run_json(run_result()))
    assert found["end_ns"] == 6_000 * MS
    assert found["exit_code"] == 1
    assert found["inputs"]["lights"] == [[0, "off"], [200 * MS, "on"]]
    assert found["seen"] == {"lights": {"dash": [[0, "off"], [201 * MS, "on"]]}}
    assert found["outputs"]["tail_lamp"] == [[0, 0.0], [250 * MS, 1.0], [812 * MS, 0.0]]
    assert found["commands"]["tail_lamp"] == [[0, None], [250 * MS, 1.0]]
    assert found["nodes"]["dash"][0] == [0, "reset", "power-up", ""]
    assert found["controllers"]["rear"][1] == [700 * MS, "BUS_OFF", 256, 0]
    assert found["handed"]["DashNotices"][1] == [1100 * MS, "01", True]
    assert found["faults"][2]["cleared_ns"] is None
    assert found["crashes"][0]["where"] == "rear.py:7"
    assert found["actions"] == [[200 * MS, {"lights": "on"}]]
    assert found["expected"][0]["outcome"] == "broken"
    assert [entry["rule"] for entry in found["broken"]] == ["stale", "expected"]
    frames = [dict(zip(found["frame_columns"], row, strict=True)) for row in found["frames"]]
    assert frames[1]["error"] == "disturbed"
    assert frames[3] == {
        "start_ns": 50 * MS,
        "end_ns": 50 * MS + 500_000,
        "sender": "rear",
        "identifier": 0x1ABCDE01,
        "extended": True,
        "remote": False,
        "dlc": 3,
        "data": "00ff10",
        "receivers": ["dash"],
        "error": None,
        "lost_overrun": ["dash"],
        "rivals": [],
        "fd": None,
    }


def test_json_is_the_same_every_time():
    assert check_json(mixed_report()) == check_json(mixed_report())
    assert run_json(run_result()) == run_json(run_result())


def test_the_order_in_which_messages_were_first_handed_over_does_not_show():
    result = run_result()
    handed = {"B": [], "A": [], **result.recording.handed}
    turned = dict(reversed(handed.items()))
    texts = set()
    for order in (handed, turned):
        recording = replace(result.recording, handed=order)
        texts.add(run_json(replace(result, recording=recording)))
    assert len(texts) == 1


@pytest.mark.parametrize("text", [check_json(mixed_report()), run_json(run_result())])
def test_every_figure_of_time_in_json_is_a_whole_number_of_nanoseconds(text):
    def check(node):
        if isinstance(node, dict):
            for key, value in node.items():
                if key.endswith("_ns"):
                    assert value is None or type(value) is int
                check(value)
        elif isinstance(node, list):
            for value in node:
                check(value)

    check(json.loads(text))


def rules_tested(found) -> dict[tuple[str, str], ET.Element]:
    root = ET.fromstring(junit_xml(found))
    return {(test.get("classname"), test.get("name")): test for test in root.iter("testcase")}


def test_junit_fails_a_broken_rule_with_its_sentence_and_command():
    failure = rules_tested(mixed_report())["tail_lamp", "stale"].find("failure")
    assert failure.get("message").startswith("tail_lamp went dark 312 ms after the cable")
    assert failure.text.splitlines() == [
        failure.get("message"),
        "linkloss check car/vehicle.toml --case 'night/cut(dash,rear)@500ms'",
    ]


def test_junit_never_passes_a_rule_that_was_not_exercised():
    test = rules_tested(mixed_report())["buzzer", "then"]
    assert test.find("skipped") is not None
    nothing = report(case("none"), declared=(("tail_lamp", "fresh"), ("buzzer", "then")))
    assert all(test.find("skipped") is not None for test in rules_tested(nothing).values())


def test_junit_passes_a_kept_rule():
    assert list(rules_tested(mixed_report())["tail_lamp", "fresh"]) == []


def test_junit_fails_a_program_that_crashed_although_no_rule_declares_it():
    assert rules_tested(mixed_report())["dash", "program"].find("failure") is not None


def test_junit_counts_its_tests():
    root = ET.fromstring(junit_xml(mixed_report()))
    counted = {"tests": "7", "failures": "2", "errors": "0"}
    assert root.attrib == counted
    assert root.find("testsuite").attrib == {
        "name": "linkloss check Tiny",
        "skipped": "1",
        **counted,
    }


@pytest.mark.parametrize(
    ("found", "message"),
    [
        (report(declared=(("tail_lamp", "fresh"),)), "No case was run: nothing was tested."),
        (report(case("none")), "No rule is declared: nothing was judged."),
    ],
)
def test_junit_of_a_check_that_tested_nothing_has_one_error(found, message):
    errors = list(ET.fromstring(junit_xml(found)).iter("error"))
    assert [error.get("message") for error in errors] == [message]
    passed = [test for test in rules_tested(found).values() if not list(test)]
    assert passed == []


def test_junit_stays_readable_when_a_program_says_what_xml_forbids():
    verdict = broken("rear", "program", "the program failed at a.py:1: X: \x00\x1b<&>\ufffe")
    failure = rules_tested(report(case("cut", verdict, kept("rear", "rejoin"))))["rear", "program"]
    assert "X: ??<&>?" in failure.find("failure").get("message")


def test_junit_has_every_declared_rule_even_those_that_no_case_spoke_of():
    found = report(case("none", untested("buzzer", "then")), declared=(("rear", "rejoin"),))
    assert ("rear", "rejoin") in rules_tested(found)


JUNIT = {
    "testsuites": ({"testsuite"}, set(), {"name", "time", "tests", "failures", "errors"}),
    "testsuite": (
        {"testsuite", "properties", "testcase", "system-out", "system-err"},
        {"name", "tests", "failures", "errors"},
        {
            "group",
            "time",
            "skipped",
            "timestamp",
            "hostname",
            "id",
            "package",
            "file",
            "log",
            "url",
        },
    ),
    "testcase": (
        {"skipped", "error", "failure", "system-out", "system-err"},
        {"name"},
        {"time", "classname", "group"},
    ),
    "failure": (set(), set(), {"type", "message"}),
    "error": (set(), set(), {"type", "message"}),
    "skipped": (set(), set(), {"type", "message"}),
}
"""What may stand in each element, and its needed and further attributes. Source: the schema
junit-10.xsd of the xUnit plug-in that many build servers share."""


def misfits(element: ET.Element) -> list[str]:
    children, needed, further = JUNIT[element.tag]
    found = [f"{element.tag} has {child.tag}" for child in element if child.tag not in children]
    keys = set(element.keys())
    found += [f"{element.tag} lacks {key}" for key in needed - keys]
    found += [f"{element.tag} has the attribute {key}" for key in keys - needed - further]
    return found + [text for child in element for text in misfits(child)]


@pytest.mark.parametrize("made", [mixed_report(), report()], ids=["mixed", "empty"])
def test_junit_fits_the_schema_that_build_servers_share(made):
    root = ET.fromstring(junit_xml(made))
    assert root.tag == "testsuites"
    assert misfits(root) == []
    (suite,) = root
    for key in ("tests", "failures", "errors"):
        assert root.get(key) == suite.get(key)
    assert len(suite.findall("testcase")) == int(suite.get("tests"))
    assert len(suite.findall("testcase/skipped")) == int(suite.get("skipped"))
    assert len(suite.findall("testcase/failure")) == int(suite.get("failures"))
