"""Large campaigns: the first findings in full, the rest summarised, no more columns than fit."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from html_values import Outline, page_of
from report_values import broken, case, kept, report, vehicle

from linkloss.campaign.mechanism import Diagnosis, Mechanism
from linkloss.campaign.result import Cell
from linkloss.campaign.run import run
from linkloss.campaign.selection import case_named
from linkloss.campaign.shrink import Shrunk
from linkloss.campaign.store import CaseStore
from linkloss.campaign.stories import Stories, Story
from linkloss.faults.catalogue import catalogue
from linkloss.judge import Outcome
from linkloss.report.advice import look_at, why
from linkloss.report.findings import Told
from linkloss.report.html import broken as stories
from linkloss.report.html import render
from linkloss.report.html.sections import MOST_COLUMNS, check_matrix, worst_cell

KINDS = ["cut", "reset", "drop", "mute", "hang", "alter", "delay", "stuck", "open"]


def pairs_report():
    """Each kind of fault before each other one: more combinations than columns."""
    cases = [case("none", kept("buzzer", "fresh", 9))]
    for first in KINDS:
        for second in KINDS:
            wrong = first == "cut" and second == "mute"
            verdict = (
                broken("buzzer", "fresh", "was on instead of off", wrong_ms=30)
                if wrong
                else kept("buzzer", "fresh", 5 + KINDS.index(second))
            )
            cases.append(case(f"{first}+{second}", verdict))
    return report(*cases)


def test_combinations_of_faults_are_gathered_by_the_kinds_they_hold():
    matrix = check_matrix(pairs_report(), {("buzzer", "fresh"): "finding-1"})
    wanted = [f"{kind}+any" for kind in catalogue() if kind in KINDS]
    titles = [column.title for column in matrix.columns]
    broken_first = ["cut+any", "mute+any"]
    assert titles[:2] == [title for title in wanted if title in broken_first]
    assert titles[2:] == [title for title in ["none", *wanted] if title not in broken_first]
    assert len(matrix.columns) <= MOST_COLUMNS
    fuses = dict(
        zip([c.title for c in matrix.columns], matrix.blocks[0].rows[0].fuses, strict=True)
    )
    assert {title for title, fuse in fuses.items() if fuse.state == "broken"} == {
        "cut+any",
        "mute+any",
    }
    assert fuses["cut+any"].links == ("finding-1",)
    assert fuses["reset+any"].margin == "5ms"
    assert (
        matrix.columns[titles.index("cut+any")].about
        == "cases with cut and another fault: 17 combinations"
    )


@pytest.mark.parametrize(
    ("cells", "worst"),
    [
        ([], Cell(Outcome.NOT_EXERCISED, None, ())),
        (
            [Cell(Outcome.NOT_EXERCISED, None, ()), Cell(Outcome.KEPT, None, ("a",))],
            Cell(Outcome.KEPT, None, ("a",)),
        ),
        (
            [Cell(Outcome.KEPT, 3, ("a", "b")), Cell(Outcome.KEPT, 2, ("b", "c"))],
            Cell(Outcome.KEPT, 2, ("a", "b", "c")),
        ),
        (
            [Cell(Outcome.KEPT, 1, ("a",)), Cell(Outcome.BROKEN, -5, ("b",))],
            Cell(Outcome.BROKEN, -5, ("b",)),
        ),
    ],
)
def test_several_cells_are_as_good_as_the_worst_of_them(cells, worst):
    assert worst_cell(cells) == worst


def many_findings(number: int):
    cases = [
        replace(
            case("cut", broken("tail_lamp", f"rule {index}", "was on instead of off")),
            name=f"night/cut(dash,rear)@{index + 1}ms",
        )
        for index in range(number)
    ]
    return report(*cases)


def test_the_first_findings_have_pictures_and_the_others_a_line_and_a_command(monkeypatch):
    monkeypatch.setattr(stories, "IN_FULL", 3)
    page = page_of(many_findings(8))
    assert [story.anchor for story in page.stories] == ["finding-1", "finding-2", "finding-3"]
    assert all(story.scene is not None for story in page.stories)
    assert len(page.summarised) == 5
    assert all(story.scene is None and not story.note for story in page.summarised)
    outline = Outline(render(page))
    assert {f"finding-{index}" for index in range(1, 9)} <= set(outline.ids)
    assert "--case 'night/cut(dash,rear)@8ms'" in outline.text


def test_findings_of_one_case_are_one_story():
    both = case(
        "cut",
        broken("tail_lamp", "fresh", "was off instead of on"),
        broken("buzzer", "fresh", "was on instead of off"),
    )
    page = page_of(report(both))
    assert len(page.stories) == 1
    assert [entry.subject for entry in page.stories[0].broken] == ["tail_lamp", "buzzer"]


def test_twenty_thousand_cases_are_a_small_page():
    store = CaseStore()
    subjects = ("tail_lamp", "buzzer", "indicator", "LampRequest.Position", "rear_lost", "rear")
    verdicts = tuple(kept(subject, "fresh", 100) for subject in subjects)
    for index in range(20_000):
        entry = case(KINDS[index % len(KINDS)], *verdicts)
        store.append(replace(entry, name=f"night/none@{index}", situation=f"s{index % 15}"))
    found = replace(report(case("none", *verdicts)), cases=store)
    text = render(page_of(found))
    assert "20000 cases" in text
    assert len(text.encode()) < 300_000


def short_story(name: str, *tells: tuple[str, str], at_ms: int = 1) -> Story:
    """A story of the tiny car in which its cable is cut."""
    scenario = case_named(vehicle(), f"night/cut(dash,rear)@{at_ms}ms")
    verdict = broken(*tells[0], "was off instead of on")
    return Story(name, "x", Shrunk(scenario, verdict, tells, (), 12, 200, False), tells, 1)


def test_findings_of_one_short_story_are_told_together_and_by_it():
    found = report(
        case("cut", broken("tail_lamp", "fresh", "was off instead of on")),
        case("reset", broken("buzzer", "fresh", "was on instead of off")),
        case("drop", broken("indicator", "fresh", "was on instead of off")),
    )
    story = short_story("a", ("tail_lamp", "fresh"), ("buzzer", "fresh"))
    told = Told(Stories((story,)), {"a": Path("findings/a.toml")})
    page = page_of(found, told)
    assert [[entry.subject for entry in story.broken] for story in page.stories] == [
        ["tail_lamp", "buzzer"],
        ["indicator"],
    ]
    assert page.stories[1].reduced is None
    text = Outline(render(page)).text
    assert "made short in 12 of 200 runs" in text
    assert "Run it again: linkloss run findings/a.toml" in text
    assert "The check met it first as: tail_lamp was dark" in text


def test_the_headline_of_a_finding_names_the_fault_of_the_picture_below_it():
    found = report(case("reset", broken("tail_lamp", "fresh", "was off"), text="rear was reset"))
    told = Told(Stories((short_story("a", ("tail_lamp", "fresh")),)), {})
    (story,) = page_of(found, told).stories
    (fault,) = (strip for strip in story.scene.picture.strips if strip.group == "faults")
    assert fault.name == "cut"
    assert "cut" in story.title
    assert "reset" not in story.title
    assert "reset" in story.broken[0].sentence
    page = render(page_of(found, told))
    assert page.count(f'<h3 id="finding-1-title"><bdi>{story.title}</bdi></h3>') == 1
    (without,) = page_of(found).stories
    assert "reset" in without.title


def test_a_cause_says_why_and_what_to_do_in_the_list_and_in_its_finding():
    place = ("tail_lamp", "fresh")
    found = report(case("cut", broken(*place, "was off instead of on", culprit="rear")))
    diagnosis = Diagnosis(Mechanism.SILENCE, "rear", "LampRequest")
    told = Told(Stories((short_story("a", place),)), {}, {place: diagnosis})
    page = page_of(found, told)
    (cause,), (story,) = page.causes, page.stories
    assert cause.why == story.why == f"{why(diagnosis)}."
    assert cause.advice == story.advice == f"{look_at(vehicle(), diagnosis)}."
    assert "look at node" not in cause.about
    assert Outline(render(page)).text.count(cause.why) == 2
    (plain,) = page_of(found).causes
    assert not plain.why
    assert "look at node rear" in plain.about


def test_the_picture_is_that_of_the_short_story():
    (verdict, *_) = run(case_named(vehicle(), "night/cut(dash,rear)@77ms")).broken
    rule = (verdict.subject, verdict.rule)
    found = report(case("cut", broken(*rule, "was off instead of on")))
    told = Told(Stories((short_story("a", rule, at_ms=77),)), {})
    (story,) = page_of(found, told).stories
    faults = next(strip for strip in story.scene.picture.strips if strip.group == "faults")
    assert (7700, "there") in faults.values
    assert [flag.at_ns for flag in story.scene.picture.flags] == [verdict.at_ns]
    assert story.note == ""
