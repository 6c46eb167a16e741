"""Stories of findings: in words, in files of their own, on the screen and for machines."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from report_values import MS, broken, case, report, vehicle

from linkloss.campaign.result import Finding
from linkloss.campaign.run import PROCESS
from linkloss.campaign.shrink import Shrunk
from linkloss.campaign.stories import Stories, Story
from linkloss.faults.catalogue import make_fault
from linkloss.judge import Outcome
from linkloss.problem import BadInput
from linkloss.report.findings import (
    MARK,
    Told,
    ensure_folder,
    finding_toml,
    story_about,
    story_sentence,
    write_findings,
)
from linkloss.report.junit import junit_xml
from linkloss.report.machine import check_json, effort_json
from linkloss.report.screen import make_console
from linkloss.report.terminal import show_check
from linkloss.scenario import Scenario, TimedAction, TimedFault, load_scenario

TINY = Path(__file__).parent / "tiny" / "vehicle.toml"
DARK = broken("tail_lamp", "stale", "was off instead of on", at_ms=900, wrong_ms=100)
BUZZ = broken("buzzer", "stale", "was on instead of off", at_ms=900, wrong_ms=100)
SENTENCE = (
    "tail_lamp went dark after the CAN plug of rear was pulled (for 230 ms), lights changed to on"
    " and rear was reset"
)


def scenario() -> Scenario:
    unplug, reset = (make_fault(kind, {"node": "rear"}, vehicle()) for kind in ("unplug", "reset"))
    return Scenario(
        name="night/unplug",
        title="",
        vehicle=vehicle(),
        situation="",
        inputs={"speed": 30.0},
        actions=(TimedAction(400 * MS, {"lights": "on"}),),
        faults=(TimedFault(unplug, 300 * MS, 530 * MS), TimedFault(reset, 600 * MS, None)),
        lasts_ns=1_000 * MS,
    )


def story(**changes) -> Story:
    shrunk = Shrunk(
        scenario=changes.pop("scenario", scenario()),
        verdict=changes.pop("verdict", DARK),
        shows=(("tail_lamp", "stale"), ("buzzer", "stale")),
        needed=changes.pop("needed", (Outcome.KEPT, Outcome.NOT_EXERCISED, None)),
        runs=37,
        budget=200,
        ran_out=changes.pop("ran_out", False),
    )
    made = Story(
        name="tail_lamp-stale-unplug_reset",
        case="night/unplug(rear)@311ms+1s",
        shrunk=shrunk,
        tells=(("tail_lamp", "stale"), ("buzzer", "stale")),
        cause=1,
    )
    return replace(made, **changes)


def told(*stories, files=True, untold=None, interrupted=False) -> Told:
    names = {one.name: Path("findings") / f"{one.name}.toml" for one in stories}
    return Told(Stories(stories, untold or {}, interrupted), names if files else {})


def found():
    return report(case("cut", DARK, BUZZ, broken("rear", "rejoin", "sent no RearStatus")))


def words(text: str) -> str:
    return " ".join(text.split())


def shown(told_stories, width=80) -> str:
    stream = io.StringIO()
    show_check(make_console(stream, width), found(), told=told_stories, verbose=True)
    return stream.getvalue()


# ---- in words ----


def test_a_story_is_one_sentence_in_the_order_of_what_happens():
    assert story_sentence(story()) == SENTENCE


def test_a_story_without_a_fault_says_so():
    bare = replace(scenario(), actions=(), faults=())
    sentence = story_sentence(story(scenario=bare, needed=()))
    assert sentence == "tail_lamp went dark without any fault or action"


def test_a_story_says_what_each_part_is_needed_for_and_what_it_cost():
    assert story_about(story()).splitlines() == [
        "Breaks the rule stale (hold) of tail_lamp.",
        "Breaks as well: stale of buzzer.",
        "Without this the rule is kept: the CAN plug of rear was pulled (for 230 ms).",
        "Without this nothing puts the rule to the test: rear was reset.",
        "Perhaps not needed, no run was left to find out: lights changed to on.",
        "Shrunk in 37 of 200 runs from the case night/unplug(rear)@311ms+1s.",
    ]
    assert "37 of 200 runs, more may make it shorter" in story_about(story(ran_out=True))


# ---- in files ----


def real_story(**changes) -> Story:
    """A story on the tiny car where it lies."""
    return story(scenario=replace(scenario(), vehicle=replace(vehicle(), path=TINY)), **changes)


def test_a_finding_is_a_file_that_is_read_back_from_where_it_lies(tmp_path):
    folder = tmp_path / "some" / "findings"
    one = real_story()
    files = write_findings(Stories((one,)), folder)
    assert files == {one.name: folder / f"{one.name}.toml"}
    back = load_scenario(files[one.name])
    assert back.title == SENTENCE
    assert back.faults == one.shrunk.scenario.faults
    assert back.vehicle.path.resolve() == TINY.resolve()


def test_a_file_that_was_written_before_is_written_anew_and_any_other_is_left_alone(tmp_path):
    one, other = real_story(), real_story(name="tail_lamp-stale-unplug_reset-2")
    stories = Stories((one, other))
    first = write_findings(stories, tmp_path)
    assert write_findings(stories, tmp_path) == first
    own = first[one.name]
    kept = own.read_text(encoding="utf-8").removeprefix(MARK)
    own.write_text(kept, encoding="utf-8")
    second = write_findings(stories, tmp_path)
    assert own.read_text(encoding="utf-8") == kept
    assert second[one.name].name == "tail_lamp-stale-unplug_reset-3.toml"
    assert second[other.name] == first[other.name]


def test_no_story_makes_no_folder(tmp_path):
    assert write_findings(Stories(), tmp_path / "findings") == {}
    assert not (tmp_path / "findings").exists()


def test_a_place_where_no_findings_can_lie_is_told_before_and_after(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(BadInput, match="this is no folder; expected a folder for the findings"):
        ensure_folder(tmp_path / "file" / "findings")
    with pytest.raises(BadInput, match="cannot be made"):
        write_findings(Stories((real_story(),)), tmp_path / "file" / "findings")
    ensure_folder(tmp_path / "not" / "there" / "yet")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file"]


def test_a_file_says_how_to_keep_it():
    assert finding_toml(story(), Path("findings")).startswith(MARK)
    assert 'vehicle = "../car/vehicle.toml"' in finding_toml(story(), Path("findings"))


# ---- on the screen ----


def test_the_screen_shows_story_effort_cause_and_file_with_each_finding():
    text = shown(told(story(), untold={("rear", "rejoin"): "there are 24 stories already"}))
    assert "3 of 3 rules broken, by 2 causes." in text
    assert f"1. {SENTENCE} rule: stale (hold); look at node rear;" in words(text)
    assert "shrunk in 37 of 200 runs; 1 more: buzzer stale" in words(text)
    assert "\n   linkloss run findings/tail_lamp-stale-unplug_reset.toml\n" in text
    assert "not shrunk: there are 24 stories already" in words(text)


def test_stories_without_files_are_told_all_the_same():
    text = shown(told(story(), files=False, interrupted=True))
    assert SENTENCE in words(text)
    assert "linkloss run" not in text
    assert "not shrunk: interrupted" in words(text)


def test_a_program_that_ends_its_process_is_told_as_such():
    verdict = broken(PROCESS, "program", "brought the simulation's process down")
    one = story(verdict=verdict, tells=((PROCESS, "program"),))
    assert told(one).command(one) == f"linkloss run findings/{one.name}.toml"
    assert "It brings down the process that runs it." in story_about(one)


@pytest.mark.parametrize("width", [60, 80, 160])
def test_stories_fit_the_screen(width):
    for line in shown(told(story()), width).splitlines():
        assert len(line) <= width or "linkloss" in line or "--case" in line


# ---- for machines ----


def test_json_has_the_stories_and_names_them_with_the_findings():
    read = json.loads(check_json(found(), told(story(), interrupted=True)))
    (one,) = read["stories"]
    assert one["sentence"] == SENTENCE
    assert one["file"] == "findings/tail_lamp-stale-unplug_reset.toml"
    assert one["command"] == "linkloss run findings/tail_lamp-stale-unplug_reset.toml"
    assert one["tells"] == [["tail_lamp", "stale"], ["buzzer", "stale"]]
    assert one["findings_with_this_cause"] == 2
    assert one["faults"][0] == [300 * MS, 530 * MS, "unplug", "unplug(rear)"]
    assert one["actions"] == [[400 * MS, {"lights": "on"}]]
    assert one["without"] == ["kept", "not exercised", None]
    assert one["minimal"] is False
    names = [finding["story"] for finding in read["findings"]]
    assert names == [one["name"], one["name"], None]
    assert read["findings"][2]["story_missing"] == "interrupted"


def test_json_without_stories_has_an_empty_list():
    read = json.loads(check_json(found()))
    assert read["stories"] == []
    assert [finding["story"] for finding in read["findings"]] == [None, None, None]
    assert read["findings"][0]["story_missing"] is None


def test_what_a_story_cost_stands_with_the_story_and_with_the_effort():
    (one,) = json.loads(check_json(found(), told(story())))["stories"]
    assert (one["runs"], one["budget"]) == (37, 200)
    read = json.loads(effort_json(found(), 2.0, {}, told(story())))
    assert read["shrinking"] == [{"story": story().name, "runs": 37, "budget": 200}]


def test_junit_says_with_a_failure_how_to_run_its_story():
    root = ET.fromstring(junit_xml(found(), told(story())))
    texts = [failure.text for failure in root.iter("failure")]
    assert SENTENCE in texts[0]
    assert "linkloss run findings/tail_lamp-stale-unplug_reset.toml" in texts[1]
    assert "linkloss run" not in texts[2]


def test_a_finding_is_told_by_the_story_that_breaks_its_rule():
    stories = told(story())
    assert stories.story(Finding(BUZZ, case("cut", BUZZ), 1)) == story()
    assert stories.story(Finding(broken("rear", "rejoin", ""), case("cut"), 1)) is None
