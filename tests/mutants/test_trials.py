"""What becomes of a mistake: caught, or why not. A case that never runs its line gives the same
bytes, and so need not run.
"""

import shutil

import pytest
from planted_car import ONE_LAMP, new_car, room

from linkloss.campaign.isolation import Stopped
from linkloss.mutants.baseline import Baseline
from linkloss.mutants.plant import mutants_of
from linkloss.mutants.subject import LeftOut
from linkloss.mutants.trial import first_difference, tried
from linkloss.recording import Recording, series
from linkloss.vehicle.loading import load_vehicle

RECOVER = "board_can_recover();"


@pytest.fixture(scope="module")
def in_c(tmp_path_factory):
    return room(new_car(tmp_path_factory.mktemp("c") / "car"), "rear")


@pytest.fixture(scope="module")
def in_python(tmp_path_factory):
    return room(new_car(tmp_path_factory.mktemp("python") / "car"), "dash")


def test_the_program_as_it_is_breaks_nothing(in_c, in_python):
    for each in (in_c, in_python):
        assert each.baseline.broken == []
        assert [case.name for case in each.baseline.cases] == list(ONE_LAMP)
        assert all(case.stands and case.digest for case in each.baseline.cases)


def test_a_probe_changes_no_recording(in_c, in_python):
    for each in (in_c, in_python):
        same = mutants_of(each.name, each.text)[0]._replace(start=0, end=0, new="")
        found = each.digests(same, range(len(each.cases)))
        assert found == {n: case.digest for n, case in enumerate(each.baseline.cases)}


def test_a_mistake_in_a_line_that_does_not_run_changes_no_byte(in_c, in_python):
    gone = [
        (in_c, in_c.mutant(RECOVER, ";"), {3}),
        (in_python, in_python.mutant("self.board.recover_bus()", "pass"), {4}),
    ]
    for each, mutant, expected in gone:
        reached = set(each.baseline.reaching(mutant))
        assert reached == expected, "only a bus-off of its own takes it there"
        found = each.digests(mutant, range(len(each.cases)))
        differs = {n for n, case in enumerate(each.baseline.cases) if case.digest != found[n]}
        assert differs == reached


def test_no_mistake_shows_in_a_case_that_does_not_reach_it(in_c, in_python):
    """Every mistake in the first and the last of the cases that are said not to reach it."""
    looked = 0
    for each in (in_c, in_python):
        for mutant in mutants_of(each.name, each.text):
            reached = set(each.baseline.reaching(mutant))
            others = [n for n in range(len(each.cases)) if n not in reached]
            if others:
                found = each.digests(mutant, [others[0], others[-1]])
                looked += 1
                given = {n: each.baseline.cases[n].digest for n in found}
                assert found == given, mutant
    assert looked > 5


def test_a_mistake_is_caught_by_a_rule_in_a_case(in_c):
    trial = in_c.tried(in_c.mutant(RECOVER, ";"))
    assert (trial.fate, trial.cases, trial.case) == ("caught", 1, "night/bus_off(rear)@950ms")
    assert (trial.subject, trial.rule, trial.fault) == ("tail_lamp", "rejoin", "bus_off")
    assert trial.text
    off = in_c.tried(
        in_c.mutant("board_pin_write(TAIL_LAMP, heard ? asked : true);", ";"),
    )
    assert (off.fate, off.cases, off.subject) == ("caught", 1, "tail_lamp")


def test_one_that_loops_for_ever_and_one_that_crashes_are_caught(in_c, in_python):
    loop = in_c.tried(in_c.mutant(RECOVER, ";")._replace(new="for (;;);"))
    assert (loop.fate, loop.subject, loop.rule) == ("caught", "rear", "program")
    crash = in_python.tried(in_python.mutant("self.count = self.refused = 0", "pass"))
    assert (crash.fate, crash.subject, crash.rule) == ("caught", "dash", "program")


def test_one_whose_line_runs_in_no_case_survives_at_once(in_c):
    baseline = in_c.baseline
    calm = Baseline(baseline.cases[:3], baseline.known)
    assert calm.reaching(in_c.mutant(RECOVER, ";")) == []
    assert tried(in_c.subject.vehicle, [], limit_s=1.0, stop=lambda: False).fate == "no case"


def test_one_that_makes_no_difference_is_unseen(in_c):
    line = "uint8_t crc = crc8(crc8(crc8(0xFF, 0), LAMP_REQUEST), frame->data[1]) ^ 0xFF;"
    swapped = line.replace("crc8(crc8(0xFF, 0), LAMP_REQUEST)", "crc8(LAMP_REQUEST, crc8(0xFF, 0))")
    trial = in_c.tried(in_c.mutant(line, swapped))  # the two are exclusive-or'ed
    assert (trial.fate, trial.cases, trial.case) == ("unseen", len(ONE_LAMP), "")


def test_one_at_which_no_rule_looks_says_what_differs(in_c):
    trial = in_c.tried(in_c.mutant("frame.data[0] = lost;", ";"))
    assert trial.fate == "unjudged"
    assert trial.text.startswith("message RearStatus at ")
    assert trial.case == "night/unplug(rear)@900ms+570ms"


def test_one_that_a_rule_allows_names_the_rule_and_its_margin(in_c):
    trial = in_c.tried(in_c.mutant("board_watchdog_start(200);", "board_watchdog_start(100);"))
    assert trial.fate in ("unseen", "allowed"), "nothing hangs in these cases"
    slow = in_c.mutant("board_delay_ms(1);", "board_delay_ms(2);")
    trial = in_c.tried(slow)
    assert trial.fate == "allowed"
    assert trial.margin_ns < trial.before_ns
    assert trial.subject
    assert trial.rule


def test_it_stops_where_its_result_is_no_longer_wanted(in_c):
    cases = list(zip(in_c.cases, in_c.baseline.cases, strict=True))
    with pytest.raises(Stopped):
        tried(in_c.subject.vehicle, cases, limit_s=60.0, stop=lambda: True)


def test_the_baseline_comes_back_from_plain_values(in_c):
    again = Baseline.from_plain(in_c.baseline.as_plain())
    assert again == in_c.baseline


def test_programs_are_the_same_by_what_is_made_of_them(in_c, in_python):
    for each, spelling, mistake in (
        (in_c, ("++good < 2", "++good <= 1"), ("++good < 2", "++good < 3")),
        (in_python, ("class Dash", "# the same\nclass Dash"), ("% 16", "% 15")),
    ):
        own = each.subject.identity(each.subject.texts)
        assert each.subject.identity({each.name: each.text.replace(*spelling)}) == own
        assert each.subject.identity({each.name: each.text.replace(*mistake)}) != own
        with pytest.raises(LeftOut, match="does not compile"):
            each.subject.identity({each.name: each.text + "\n)"})


def test_a_module_that_cannot_be_imported_is_left_out(in_python, monkeypatch):
    monkeypatch.setattr("linkloss.mutants.subject.READ_S", 0.3)
    with pytest.raises(LeftOut, match="cannot be imported"):
        in_python.subject.identity({in_python.name: in_python.text + "\nNOBODY()\n"})
    with pytest.raises(LeftOut, match="cannot be imported"):
        in_python.subject.identity({in_python.name: in_python.text + "\nwhile True:\n    pass\n"})


@pytest.mark.parametrize(
    ("kind", "line", "new"),
    [
        ("script", "board.feed_watchdog()", "pass"),
        ("sketch", "wdt_reset();", ";"),
    ],
)
def test_a_script_and_a_sketch_are_probed_and_changed_in_every_run(tmp_path, kind, line, new):
    if kind == "sketch" and shutil.which("c++") is None:
        pytest.skip("needs a C++ compiler (apt install g++)")
    path = new_car(tmp_path / "car", "--nodes", f"dash,rear={kind}")
    situation = next(iter(load_vehicle(path).situations))
    found = room(path, "rear", (f"{situation}/none", f"{situation}/reset(rear)@1s"))
    assert found.baseline.broken == []
    lines = found.baseline.cases[0].lines[found.name]
    assert 0 < len(lines) < len(found.baseline.known[found.name])
    gone = found.mutant(line, new)
    assert found.tried(gone).fate == "caught"
    same = gone._replace(start=0, end=0, new="")
    assert found.digests(same, [0, 1]) == {n: c.digest for n, c in enumerate(found.baseline.cases)}


def test_the_first_difference_is_what_a_driver_would_notice():
    before, after = Recording("car", 0), Recording("car", 0)
    assert first_difference(before, after) == "nothing that is recorded in time"
    before.outputs["lamp"] = series((0, 0.0), (5_000_000, 1.0))
    after.outputs["lamp"] = series((0, 0.0), (7_000_000, 1.0))
    before.commands["lamp"] = series((0, 0.0), (5_000_000, 1.0))
    after.commands["lamp"] = series((0, 0.0))
    assert first_difference(before, after) == "load lamp at 5 ms"
