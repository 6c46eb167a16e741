"""A page as one file: what it says, that it is whole, and that no name can break it."""

from __future__ import annotations

import re
from base64 import b64encode
from dataclasses import replace
from hashlib import sha256

import pytest
from html_values import HOSTILE, Outline, failing_wren, hostile_car, page_of, passing_wren
from hypothesis import given, settings
from hypothesis import strategies as st
from report_values import broken, case, every_fault_report, mixed_report, report, run_result

from linkloss.campaign.check import check
from linkloss.campaign.result import CAUTION, CheckReport, RunResult
from linkloss.recording import Recording
from linkloss.report.findings import cause_sentence, found_causes
from linkloss.report.html import (
    Drawing,
    Fact,
    Page,
    Part,
    plain_page,
    render,
    run_page,
    write_page,
)
from linkloss.report.html.sheet import (
    Block,
    Broken,
    Column,
    CounterLine,
    Digest,
    Flag,
    FrameLine,
    Fuse,
    Label,
    LoadSheet,
    Matrix,
    MessageLine,
    Picture,
    Reduced,
    Row,
    Scene,
    Story,
    Strip,
    Traffic,
    Untested,
)
from linkloss.vehicle.loading import load_vehicle


@pytest.fixture(scope="module")
def failing() -> str:
    return render(page_of(failing_wren()))


@pytest.fixture(scope="module")
def passing() -> str:
    return render(page_of(passing_wren()))


def test_a_failing_check_says_so_first_and_tells_each_finding(failing):
    text = Outline(failing).text
    causes = found_causes(failing_wren())
    verdict = f"{len(failing_wren().findings)} of {len(failing_wren().rules)} rules broken, by"
    places = [text.index(verdict), *(text.index(cause_sentence(failing_wren(), c)) for c in causes)]
    assert places == sorted(places)
    assert places[-1] < text.index("What was put to the test")
    for link in re.findall(r'<li><a href="#(finding-\d+)">', failing):
        assert f'id="{link}"' in failing
    for finding in failing_wren().findings:
        assert finding.verdict.subject in text
    assert "tail_left was dark instead of on" in text
    assert "linkloss check --case 'night_drive/unplug(dash)@" in text
    assert CAUTION in text


def test_a_passing_check_says_what_it_rests_on(passing):
    text = Outline(passing).text
    assert "Every declared rule was exercised and kept." in text
    assert "Nothing that was put to the test broke." in text
    assert f"tried {len(passing_wren().cases)} cases" in text
    assert "1 of 15" in text
    assert "What held narrowly" in text
    assert re.search(r"vehicle\.toml [0-9a-f]{64}", text)
    assert re.search(r"dbc/wren\.dbc [0-9a-f]{64}", text)


def test_the_same_result_gives_the_same_bytes(failing):
    assert render(page_of(failing_wren())) == failing


def test_a_page_fetches_nothing_and_runs_no_script_but_its_own(failing):
    script = re.search(r"<script>(.*?)</script>", failing, re.DOTALL)[1]
    digest = b64encode(sha256(script.encode()).digest()).decode()
    assert f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'" in failing
    assert "http://" not in failing.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in failing
    assert not re.search(r"<(link|img|iframe|object|embed)[^>]*(src|href)=\"(?!data:,\")", failing)


def test_every_link_leads_somewhere_and_no_anchor_is_there_twice(failing, passing):
    for page in (failing, passing):
        outline = Outline(page)
        assert len(set(outline.ids)) == len(outline.ids)
        assert {link.removeprefix("#") for link in outline.links} <= set(outline.ids)
        assert any(link.startswith("#") for link in outline.links)
    assert "#finding-1" in Outline(failing).links


def test_the_crossing_of_a_broken_cell_leads_to_its_finding(failing):
    cells = re.findall(
        r'<td class="broken" data-r="([^"]*)" data-l="([^"]*)"><a href="#([^"]*)"', failing
    )
    assert cells
    for rules, anchors, first in cells:
        assert rules
        assert anchors.split()[0] == first
        story = failing.split(f'id="{first}"')[1].split("</article>")[0]
        assert any(rule in story for rule in rules.split(", "))


def test_a_cell_that_was_not_exercised_is_no_kept_one():
    page = render(page_of(mixed_report()))
    row = page.split("<bdi>buzzer</bdi></th>")[1].split("</tr>")[0]
    assert row.count('<td class="untested"') == 2
    assert 'class="kept"' not in row
    assert "1 not exercised" in Outline(page).text


def test_the_car_beside_the_verdict_shows_what_broke_by_which_cause_and_where_to_look():
    page = page_of(mixed_report())
    causes = [cause.sentence for cause in page.causes]
    assert len(causes) == 2
    number = next(i for i, text in enumerate(causes, start=1) if text.startswith("tail_lamp"))
    assert page.car.loads["tail_lamp"].state == "broken"
    assert page.car.loads["tail_lamp"].causes == page.car.nodes["rear"].causes == (number,)
    assert page.car.loads["tail_lamp"].anchor == page.causes[number - 1].anchor
    assert page.car.nodes["dash"].causes == (3 - number,)
    assert page.car.loads["buzzer"].state == "untested"
    assert not page.car.loads["buzzer"].causes
    text = Outline(render(page)).text
    assert text.count("Begin here.") == 1
    assert "1 rule of 1 subject: declared, but not put to the test" in text


def test_a_check_that_was_interrupted_is_no_kept_one():
    whole = passing_wren()
    part = CheckReport(whole.vehicle, 0, whole.declared, whole.cases, len(whole.cases) + 3)
    page = page_of(part)
    assert page.state == "untested"
    assert "The check was interrupted: 3 cases not run." in Outline(render(page)).text
    assert page_of(whole).state == "kept"


def test_a_check_without_a_case_is_a_page_that_says_so():
    text = Outline(render(page_of(report()))).text
    assert "No case was run: nothing was tested." in text


def test_a_case_that_does_not_show_its_finding_again_is_no_proof():
    text = Outline(render(page_of(mixed_report()))).text
    assert "Run again, this case did not show the same" in text


def test_a_case_that_no_longer_fits_the_vehicle_is_told_without_a_picture():
    lost = case("cut", broken("tail_lamp", "fresh", "was off instead of on"))
    page = render(page_of(report(replace(lost, name="night/cut(a,b)@1ms"))))
    assert "There is no picture: the name of the case does not fit the vehicle any more." in page
    assert "Run it again:" in page


def test_many_kinds_of_faults_are_all_in_the_table():
    page = render(page_of(every_fault_report()))
    heads = re.findall(r'<th scope="col" title="[^"]*"><span>([^<]*)</span>', page)
    assert sorted(heads[:20]) == sorted(every_fault_report().faults)


def test_a_run_is_a_page_with_its_rules_its_expectations_and_what_happened():
    page = run_page(run_result(), command="linkloss run cut.toml")
    text = Outline(render(page)).text
    assert page.state == "broken"
    assert "1 rule and 1 expectation broken." in text
    assert "What the scenario expects" in text
    assert "was off at 812 ms; expected: on" in text
    assert "linkloss run cut.toml" in text
    assert [column.title for column in page.matrix.columns] == ["stale", "fresh", "reset", "then"]
    assert [column.title for column in page.worst.columns] == ["stale"]


def test_a_run_that_broke_nothing_is_no_failure():
    result = replace(run_result(), verdicts=run_result().verdicts[:2], expected=())
    page = run_page(replace(result, scenario=replace(result.scenario, expectations=())))
    assert page.state == "kept"
    assert Outline(render(page)).text.count("What happened") == 1


def test_a_run_that_brought_its_process_down_is_a_page_without_a_picture():
    nothing = Recording("Tiny", 0, 6_000_000_000)
    lost = broken("(process)", "program", "brought its process down", at_ms=0, wrong_ms=None)
    scenario = replace(run_result().scenario, expectations=())
    page = run_page(RunResult(scenario, nothing, (lost,), ()))
    assert page.state == "broken"
    assert "There is no picture: nothing came back from this run." in Outline(render(page)).text


def test_a_warning_and_further_parts_are_shown():
    drawing = Drawing("<svg><path d='M0 0h1'/></svg>", "a line")
    part = Part(
        "Where it came from", ("a log",), ("file", "frames"), (("a.log", "12"),), drawing=drawing
    )
    page = run_page(run_result(), parts=[part], warnings=["something has changed"])
    text = render(page)
    assert "something has changed" in text
    assert '<figure role="img" aria-label="a line"><svg><path d=\'M0 0h1\'/></svg></figure>' in text


def test_a_page_out_of_parts_speaks_of_no_rules(tmp_path):
    part = Part("Response times", columns=("message", "worst"), rows=(("A", "1 ms"),))
    page = plain_page(
        "Timing", "Every deadline is met.", state="kept", parts=[part], facts={"rate": "250 kbit/s"}
    )
    write_page(page, tmp_path / "a.html")
    text = Outline((tmp_path / "a.html").read_text(encoding="utf-8")).text
    assert "Every deadline is met." in text
    assert "rate 250 kbit/s" in text
    assert "message worst A 1 ms" in text
    assert "not exercised" not in text.partition("Skip to")[2].partition('"use strict"')[0]
    assert "What broke" not in text


# ---- names that mean harm ----


def _scene(a: str, b: str, c: str, d: str) -> Scene:
    strips = (
        Strip("loads", a, "broken", (("may", "M0 0h1"),), (Label(0, 9, b),), ((0, c), (4, d))),
        Strip("other loads", d, "", (("level", "M0 0h1"),), (Label(2, 9, c, True),), ((0, a),)),
    )
    frame = FrameLine(a, b, c, d, a, b, failed=True, asks=True)
    return Scene(Picture(10, (1, 5), strips, (Flag(3, b),)), (frame,), c, ((d, a),), ())


def _page(words: list[str]) -> Page:
    """A page with a text from elsewhere in every place that takes one."""
    a, b, c, d, e = (words * 5)[:5]
    fuse = Fuse("broken", a, (b, c), ("finding-1",))
    told = (Broken(b, c, d, (e, a), 3), Broken(c, d, e))
    story = Story("finding-1", a, told, b, c, _scene(a, b, c, d), d, Reduced(e, a, b, c))
    messages = (MessageLine(a, b, c, 3, d, e, a, b),)
    counters = (CounterLine(a, b, c, 1, 2),)
    bus = Traffic(a, story.scene.picture, b, messages, counters, (Fact(c, d),))
    return Page(
        title=a, subtitle=b, state="broken", verdict=c, caution=d, vehicle=e,
        facts=(Fact(a, b), Fact("", c)), inputs=(Digest(a, b),), warnings=(d,),
        matrix=Matrix(e, (Column(a, b),), (Block(c, (Row(d, (fuse,)),)),)),
        stories=(story,), summarised=(replace(story, anchor="finding-2"),),
        margins=((a, b, c, d),), narrow=(replace(story, anchor="narrow-1"),),
        untested=(Untested(e, (a,)),), traffic=bus,
        loads=(LoadSheet(a, b, c, d, e, a, b, c, "kept"),),
        tried=Matrix(e, (Column(a, b),), (Block(c, (Row(d, (Fuse("tried", e),)),)),)),
        parts=(Part(b, (c,), (d,), ((e,),), ("x.html",), Drawing("<svg></svg>", a)),),
    )  # fmt: skip


@given(
    st.lists(st.text(min_size=1, max_size=30) | st.sampled_from(HOSTILE), min_size=1, max_size=5)
)
@settings(max_examples=60, deadline=None)
def test_no_text_changes_what_a_page_is_made_of(words):
    plain = Outline(render(_page(["x"])))
    found = Outline(render(_page(words)))
    assert found.elements == plain.elements
    assert found.ids == plain.ids


def test_an_override_of_the_direction_of_writing_does_not_reach_the_page():
    page = render(_page(list(HOSTILE)))
    for char in "\u202e\u2066\x00\x07\x1b\u2028":
        assert char not in page
    assert "\u05e9\u05dc\u05d5\u05dd" in page


def test_names_out_of_files_neither_break_nor_inject(tmp_path):
    vehicle = load_vehicle(hostile_car(tmp_path))
    found = check(vehicle, only=["none", "reset"], jobs=1)
    page = render(page_of(found))
    assert found.findings
    assert "<img" not in page
    assert page.count("<script") == page.count("</script>")
    assert "&lt;img src=x onerror" in page
    assert "taken" not in re.search(r"<title>(.*?)</title>", page)[1].replace("&#39;taken&#39;", "")
    assert "lamp_" * 40 in page
