"""Scenario files: what they say, what they take from a situation, and each mistake in words."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from linkloss.faults.catalogue import catalogue
from linkloss.problem import BadInput
from linkloss.scenario import Expectation, TimedAction, load_scenario

MS = 1_000_000
TINY = Path(__file__).parents[1] / "report" / "tiny"
DURATION = "expected a duration with its unit (ns, us, ms, s, min, h, d), like '250 ms'"
STORY = """title = "A story"
vehicle = "car/vehicle.toml"
situation = "night"
inputs = { speed = 30 }
lasts = "2 s"
seed = 7

[[steps]]
at = "1 s"
set = { lights = "off" }

[[steps]]
at = "600 ms"
fault = "cut"
between = ["dash", "rear"]
lasts = "200 ms"

[[steps]]
at = "700 ms"
fault = "reset"
node = "rear"

[[expect]]
load = "tail_lamp"
state = "on"
at = "900 ms"
"""


class Story:
    def __init__(self, folder: Path) -> None:
        self.path = folder / "story.toml"
        self.text = STORY
        shutil.copytree(TINY, folder / "car", ignore=shutil.ignore_patterns("__pycache__"))

    def change(self, old: str, new: str) -> Story:
        assert self.text.count(old) == 1
        self.text = self.text.replace(old, new)
        return self

    def load(self):
        self.path.write_text(self.text, encoding="utf-8")
        return load_scenario(self.path)

    def problems(self) -> list[str]:
        try:
            self.load()
        except BadInput as error:
            return [str(problem).removeprefix(f"{self.path}:") for problem in error.problems]
        return []


@pytest.fixture
def story(tmp_path) -> Story:
    return Story(tmp_path)


def test_a_scenario_is_named_after_its_file(story):
    scenario = story.load()
    assert (scenario.name, scenario.title, scenario.seed) == ("story", "A story", 7)
    assert scenario.lasts_ns == 2_000 * MS
    assert scenario.vehicle.title == "Tiny"
    assert scenario.kinds == "cut+reset"


def test_situation_inputs_and_steps_are_merged(story):
    scenario = story.load()
    assert scenario.situation == "night"
    assert scenario.inputs == {"lights": "off", "speed": 30.0}
    assert scenario.actions == (
        TimedAction(500 * MS, {"lights": "on"}),
        TimedAction(1_000 * MS, {"lights": "off"}),
    )


def test_inputs_of_the_scenario_win_over_those_of_the_situation(story):
    scenario = story.change("inputs = { speed = 30 }", 'inputs = { lights = "on" }').load()
    assert scenario.inputs == {"lights": "on"}


def test_a_step_of_the_scenario_comes_after_the_situations_action_of_the_same_instant(story):
    scenario = story.change('at = "1 s"', 'at = "500 ms"').load()
    assert [action.values for action in scenario.actions] == [{"lights": "on"}, {"lights": "off"}]


def test_actions_of_a_situation_that_lie_behind_the_end_are_left_out(story):
    story.text = (
        'title = "x"\nvehicle = "car/vehicle.toml"\nsituation = "night"\nlasts = "499 ms"\n'
    )
    assert story.load().actions == ()
    story.change("499 ms", "500 ms")
    assert len(story.load().actions) == 1


def test_a_scenario_needs_no_situation(story):
    scenario = story.change('situation = "night"', "").load()
    assert scenario.situation == ""
    assert scenario.inputs == {"speed": 30.0}
    assert len(scenario.actions) == 1


def test_a_fault_clears_after_its_time(story):
    cut, reset = story.load().faults
    assert (cut.at_ns, cut.until_ns) == (600 * MS, 800 * MS)
    assert (reset.at_ns, reset.until_ns) == (700 * MS, None)
    assert cut.fault.kind == "cut"


def test_a_fault_clears_at_an_instant(story):
    cut = story.change('lasts = "200 ms"', 'until = "1500 ms"').load().faults[0]
    assert (cut.at_ns, cut.until_ns) == (600 * MS, 1_500 * MS)


def test_a_fault_may_stay_to_the_end(story):
    assert story.change('lasts = "200 ms"', "").load().faults[0].until_ns is None


def test_faults_come_in_the_order_of_the_file(story):
    story.change('at = "700 ms"', 'at = "100 ms"')
    assert [timed.fault.kind for timed in story.load().faults] == ["cut", "reset"]


def test_an_expectation_holds_at_an_instant_or_throughout(story):
    assert story.load().expectations == (Expectation("tail_lamp", "on", 900 * MS, 900 * MS),)
    story.change('at = "900 ms"', 'from = "850 ms"\nto = "1 s"')
    assert story.load().expectations == (Expectation("tail_lamp", "on", 850 * MS, 1_000 * MS),)


def line_of(start: str) -> int:
    (number,) = [n for n, line in enumerate(STORY.splitlines(), 1) if line.startswith(start)]
    return number


MISTAKES = [
    ('title = "A story"', "", "title", 0, "this key is missing"),
    ('lasts = "2 s"', "", "lasts", 0, "this key is missing"),
    ('lasts = "2 s"', "lasts = 2", "lasts", line_of('lasts = "2 s'), f"got 2; {DURATION}"),
    ("seed = 7", 'seed = "x"', "seed", line_of("seed"), "input should be a valid integer, unable"),
    ("seed = 7", "sed = 7", "sed", line_of("seed"),
     ("unknown key 'sed'; expected one of: about, clocks, drifts, expect, inputs, lasts, outside,"
     " seed, situation, steps, title, vehicle (did you mean 'seed'?)")),
    ('"car/vehicle.toml"', '"car/vehicel.toml"', "vehicle", line_of("vehicle"), "there is no file"),
    ('situation = "night"', 'situation = "nihgt"', "situation", line_of("situation"),
     "unknown situation 'nihgt'; expected one of: night (did you mean 'night'?)"),
    ("speed = 30", "sped = 30", "inputs.sped", line_of("inputs"),
     "unknown input 'sped'; expected one of: lights, speed (did you mean 'speed'?)"),
    ("speed = 30", "speed = 101", "inputs.speed", line_of("inputs"),
     "got '101'; expected a number from 0 to 100 km/h"),
    ("speed = 30", "speed = true", "inputs.speed", line_of("inputs"),
     "got True; expected a position or a number"),
    ('lights = "off"', 'lights = "of"', "steps[1].set.lights", line_of("set"),
     "'lights' has no position 'of'; expected one of: off, on (did you mean 'off'?)"),
    ('set = { lights = "off" }', "set = {}", "steps[1].set", line_of("set"),
     "dictionary should have at least 1"),
    ('set = { lights = "off" }', "", "steps[1]", line_of('at = "1 s"') - 1,
     "expected either 'set' (inputs) or 'fault' (its name)"),
    ('set = { lights = "off" }', 'set = { lights = "off" }\nfault = "cut"', "steps[1]",
     line_of('at = "1 s"') - 1, "expected either 'set' (inputs) or 'fault' (its name)"),
    ('set = { lights = "off" }', 'set = { lights = "off" }\nnode = "rear"', "steps[1].node",
     line_of("set") + 1, "unknown key 'node'"),
    ('set = { lights = "off" }', 'set = { lights = "off" }\nlasts = "1 s"', "steps[1]",
     line_of('at = "1 s"') - 1, "'until' and 'lasts' belong to a fault"),
    ('at = "1 s"', 'at = "2001 ms"', "steps[1].at", line_of('at = "1 s"'),
     "lies after the end of the scenario"),
    ('at = "1 s"', "at = 1000", "steps[1].at", line_of('at = "1 s"'), f"got 1000; {DURATION}"),
    ('lasts = "200 ms"', 'lasts = "200 ms"\nuntil = "1 s"', "steps[2]", line_of('at = "600') - 1,
     "expected either 'until' or 'lasts', not both"),
    ('lasts = "200 ms"', 'until = "599 ms"', "steps[2]", line_of('at = "600') - 1,
     "'until' must lie after 'at'"),
    ('lasts = "200 ms"', 'lasts = "0 ms"', "steps[2]", line_of('at = "600') - 1,
     "'lasts' must be more than zero"),
    ('fault = "cut"', 'fault = "cutt"', "steps[2].fault", line_of('fault = "cut'),
     "unknown fault 'cutt' (did you mean 'cut'?); expected one of: "),
    ("between =", "betwen =", "steps[2].betwen", line_of("between"),
     ("unknown parameter of 'cut' 'betwen'; expected one of: between, conductor (did you"
     " mean 'between'?)")),
    ('between = ["dash", "rear"]', "", "steps[2].between", line_of('at = "600') - 1,
     "'cut' needs the parameter 'between'"),
    ('["dash", "rear"]', '["dash", "raer"]', "steps[2].fault", line_of('fault = "cut'),
     "unknown node 'raer'; expected one of: dash, rear (did you mean 'rear'?)"),
    ('node = "rear"', 'node = "rear"\nperiod = 50', "steps[3].period", line_of("node") + 1,
     f"got 50; {DURATION}"),
    ('load = "tail_lamp"', 'load = "tial_lamp"', "expect[1].load", line_of("load"),
     ("unknown load 'tial_lamp'; expected one of: buzzer, indicator, tail_lamp"
     " (did you mean 'tail_lamp'?)")),
    ('state = "on"', 'state = "lit"', "expect[1].state", line_of("state"),
     "got 'lit'; expected 'off', 'on' or 'flash'"),
    ('at = "900 ms"', "", "expect[1]", line_of("load") - 1,
     "expected either 'at', or 'from' and 'to'"),
    ('at = "900 ms"', 'from = "900 ms"', "expect[1]", line_of("load") - 1,
     "expected either 'at', or 'from' and 'to'"),
    ('at = "900 ms"', 'at = "900 ms"\nfrom = "1 s"', "expect[1]", line_of("load") - 1,
     "expected either 'at', or 'from' and 'to'"),
    ('at = "900 ms"', 'at = "900 ms"\nfrom = "1 s"\nto = "1 s"', "expect[1]", line_of("load") - 1,
     "expected either 'at', or 'from' and 'to'"),
    ('at = "900 ms"', 'from = "1 s"\nto = "999 ms"', "expect[1]", line_of("load") - 1,
     "expected 'from' before 'to', both before the end of the scenario"),
    ('at = "900 ms"', 'at = "2001 ms"', "expect[1]", line_of("load") - 1,
     "expected 'from' before 'to', both before the end of the scenario"),
]  # fmt: skip


@pytest.mark.parametrize(
    "old, new, place, line, text", MISTAKES, ids=[f"{m[2]}-{m[1][:24]}" for m in MISTAKES]
)
def test_each_mistake_is_told_with_line_place_and_words(story, old, new, place, line, text):
    problems = story.change(old, new).problems()
    start = f"{line}: {place}: " if line else f" {place}: "
    assert [problem for problem in problems if problem.startswith(start + text)], problems


def test_mistakes_are_told_together(story):
    story.change("speed = 30", "speed = 101").change('"cut"', '"cutt"').change("tail_lamp", "lamp")
    places = [problem.split(": ")[1] for problem in story.problems()]
    assert places == ["inputs.speed", "steps[2].fault", "expect[1].load"]


def test_mistakes_of_the_vehicle_are_told_with_its_own_file(story, tmp_path):
    vehicle = tmp_path / "car" / "vehicle.toml"
    vehicle.write_text(vehicle.read_text().replace('"50 kbit/s"', '"2 Mbit/s"'))
    (problem,) = story.problems()
    assert problem.startswith(f"{vehicle}:5: bus.bit_rate: '2 Mbit/s' is out of range")


def test_every_parameter_of_every_fault_can_be_written_in_a_step():
    taken = {"at", "set", "fault", "until", "lasts"}
    for kind, form in catalogue().items():
        assert taken.isdisjoint(form.model_fields), kind


def test_a_scenario_that_is_missing(tmp_path):
    with pytest.raises(BadInput, match="there is no such file; expected a scenario file"):
        load_scenario(tmp_path / "none.toml")
