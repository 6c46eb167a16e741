"""The summary for a change under review."""

from __future__ import annotations

import re
from dataclasses import replace

from report_values import broken, case, mixed_report, report

from linkloss.campaign.result import CAUTION
from linkloss.report.markdown import MOST_FINDINGS, check_markdown


def test_the_verdict_comes_first_and_the_caution_last():
    lines = check_markdown(mixed_report()).splitlines()
    assert lines[0] == f"### linkloss: {mixed_report().vehicle.title}"
    assert lines[2] == "**2 rules broken.**"
    assert lines[4] == ("2 cases, 12 s simulated, seed 0; rules: 4 kept, 2 broken, 1 not exercised")
    assert lines[-1] == f"*{CAUTION}*"


def test_a_finding_is_a_sentence_and_the_command_that_shows_it_again():
    text = check_markdown(mixed_report())
    assert (
        "- tail\\_lamp went dark 312 ms after the cable between dash and rear was cut;"
        " rule: stale \\(hold\\); wrong for 4.7 s  \n"
        "  `linkloss check car/vehicle.toml --case 'night/cut(dash,rear)@500ms'`"
    ) in text


def test_what_was_not_exercised_is_told_but_folded_away():
    text = check_markdown(mixed_report())
    assert "<details><summary>Not exercised: 1 rule</summary>\n\n- buzzer: then\n" in text


def test_the_table_has_the_subjects_that_broke_something():
    rows = [line for line in check_markdown(mixed_report()).splitlines() if line[:1] == "|"]
    assert rows[0] == "|  | ✓ kept | ✗ broken | – untested |"
    assert any(row.startswith("| tail\\_lamp |") and "stale" in row for row in rows)
    assert not any("buzzer" in row for row in rows)
    assert len({row.count("|") for row in rows}) == 1


def test_a_long_list_is_cut_and_says_so():
    verdicts = [
        broken("tail_lamp", f"rule {n}", "was on instead of off") for n in range(MOST_FINDINGS + 5)
    ]
    text = check_markdown(report(case("cut", *verdicts)))
    assert text.count("\n- ") + text.startswith("- ") == MOST_FINDINGS
    assert "... and 5 more broken rules." in text
    assert len(text) < 65_536


def test_a_check_without_a_case_says_that_nothing_was_tested():
    text = check_markdown(report())
    assert "**No case was run: nothing was tested.**" in text


def test_names_with_markup_mean_nothing_but_themselves():
    odd = "a|b`c`<img src=x onerror=y>[d](http://e)*f*\n# g"
    made = report(case("cut", broken(odd, "fresh", "was off instead of on")))
    vehicle = made.vehicle
    file = vehicle.file.model_copy(update={"title": odd})
    text = check_markdown(replace(made, vehicle=replace(vehicle, file=file)))
    outside = re.sub(r"`+[^`]*`+", "", re.sub(r"\\.", "", text))
    assert "<img" not in outside
    assert "[d](" not in outside
    assert "\n# g" not in text
    for row in (line for line in text.splitlines() if line.startswith("|")):
        assert len(re.findall(r"(?<!\\)\|", row)) == 5
