"""The score of a check: which mistakes count, what is kept, and how it is told."""

import json
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from c_cars import REAR_C, c_car
from planted_car import ONE_LAMP, new_car
from rear_cars import ROOT, WREN

from linkloss.cli import main
from linkloss.mutants import score as scores
from linkloss.mutants.kept import Kept, key_of
from linkloss.mutants.score import Wish, score
from linkloss.mutants.subject import subject_of
from linkloss.report.html import render
from linkloss.report.mutants_report import (
    mutants_exit_code,
    mutants_json,
    mutants_page,
    show_mutants,
)
from linkloss.report.schemas import mutants_result_schema
from linkloss.report.screen import make_console
from linkloss.vehicle.loading import load_vehicle

jsonschema = pytest.importorskip("jsonschema", reason="needs jsonschema (extra 'test')")


class Seen:
    """What was shown of the work: how many units of each kind were done anew."""

    def __init__(self):
        self.done = {}

    @contextmanager
    def __call__(self, *, doing, unit):
        def told(done, total):
            self.done[unit] = done

        yield told


@pytest.fixture(autouse=True)
def few_cases(monkeypatch):
    """A check of a few cases."""
    planned = scores.ordered
    monkeypatch.setattr(
        scores, "ordered", lambda car, **how: planned(car, **{**how, "case": ONE_LAMP[:4]})
    )


@pytest.fixture(scope="module")
def car(tmp_path_factory):
    return new_car(tmp_path_factory.mktemp("score") / "car")


@pytest.fixture
def cached(car, monkeypatch):
    """What one test finds out the next one need not."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(car.parent / "cache"))
    (car.parent / "cache" / "linkloss").mkdir(parents=True, exist_ok=True)
    own = Path.home() / ".cache" / "linkloss" / "firmware"
    if own.is_dir() and not (car.parent / "cache/linkloss/firmware").exists():
        (car.parent / "cache/linkloss/firmware").symlink_to(own)


WISH = Wish(node="rear", lines=("35", "47"), jobs=1)


@pytest.fixture
def found(car, cached):
    return score(load_vehicle(car), WISH, Seen())


def test_a_score_says_what_became_of_each_mistake(found):
    assert found.cases == 4
    assert found.unbroken == ""
    assert found.places == len(found.planted) + sum(found.left_out.values())
    assert {each.mutant.line for each in found.planted} <= {35, 47}
    assert [each.mutant.start for each in found.planted] == sorted(
        each.mutant.start for each in found.planted
    )
    assert found.caught
    assert found.survivors
    assert found.share == len(found.caught) / len(found.planted)
    assert {each.trial.fate for each in found.survivors} <= {"unseen", "unjudged", "allowed"}


def test_the_second_time_nothing_runs_and_the_score_is_the_same(car, found):
    seen = Seen()
    again = score(load_vehicle(car), WISH, seen)
    assert seen.done == {}
    assert again.planted == found.planted
    assert again.left_out == found.left_out


def test_what_is_kept_is_kept_by_content(car, found, tmp_path):
    subject = subject_of(load_vehicle(car), "rear", tmp_path)
    key = key_of(subject, "quick", 0)
    assert key == key_of(subject, "quick", 0)
    assert key != key_of(subject, "full", 0)
    other = new_car(tmp_path / "car")
    same = subject_of(load_vehicle(other), "rear", tmp_path / "programs")
    assert key_of(same, "quick", 0) == key
    for name, text in (("rear.c", "\nint more(void) { return 1; }\n"), ("dash.py", "\n")):
        path = other.parent / name
        before = path.read_text(encoding="utf-8")
        path.write_text(before + text, encoding="utf-8")
        changed = subject_of(load_vehicle(other), "rear", tmp_path / "programs")
        assert key_of(changed, "quick", 0) != key
        path.write_text(before, encoding="utf-8")


def test_a_line_that_was_cut_off_while_it_was_written_is_not_read(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    kept = Kept("key")
    kept.put("a", 1)
    (path,) = (tmp_path / "linkloss" / "mutants").iterdir()
    path.write_text(path.read_text(encoding="utf-8") + '["b", 2', encoding="utf-8")
    again = Kept("key")
    assert (again.get("a"), again.get("b")) == (1, None)


def test_a_sample_is_the_same_for_the_same_seed(car, cached):
    vehicle = load_vehicle(car)
    drawn = [
        [each.mutant for each in score(vehicle, replace(WISH, sample=3, seed=seed), Seen()).planted]
        for seed in (0, 0, 1)
    ]
    assert len(drawn[0]) == 3
    assert drawn[0] == drawn[1] != drawn[2]


def test_what_was_done_before_an_interrupt_is_told_and_not_done_again(car, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))

    class Impatient(Seen):
        @contextmanager
        def __call__(self, *, doing, unit):
            def told(done, total):
                self.done[unit] = done
                if unit == "mistakes" and done == 2:
                    raise KeyboardInterrupt

            yield told

    wish = replace(WISH, lines=("46-48",))
    cut = score(load_vehicle(car), wish, Impatient())
    assert cut.interrupted
    known = len(cut.planted) + sum(cut.left_out.values())
    assert 0 < known < cut.places
    seen = Seen()
    whole = score(load_vehicle(car), wish, seen)
    assert set(seen.done) == {"mistakes"}, "the program as it is does not run again"
    assert len(whole.planted) + sum(whole.left_out.values()) == whole.places
    assert set(cut.planted) <= set(whole.planted)


def test_without_time_nothing_runs_and_that_is_no_success(car, cached):
    none = score(load_vehicle(car), replace(WISH, for_s=0.0), Seen())
    assert none.planted == ()
    assert mutants_exit_code(none, None) == 3


def test_a_program_that_breaks_a_rule_as_it_is_is_told_and_gets_no_mistake(tmp_path, capsys):
    path = new_car(tmp_path / "car")
    source = path.parent / "rear.c"
    text = source.read_text(encoding="utf-8")
    source.write_text(text.replace("board_can_recover();", ";"), encoding="utf-8")
    code = main(["mutants", str(path), "--node", "rear", "--jobs", "1", "-q"])
    told = " ".join(capsys.readouterr().out.split())
    assert code == 1
    assert "Nothing was planted: the program breaks a rule as it is. tail_lamp: rejoin" in told
    assert "(case night/bus_off(rear)@950ms)" in told


def test_the_json_fits_its_schema(found):
    document = json.loads(mutants_json(found))
    schema = mutants_result_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert list(jsonschema.Draft202012Validator(schema).iter_errors(document)) == []
    assert document["caught"] == document["fates"]["caught"] == len(found.caught)
    assert sum(document["fates"].values()) == len(document["mutants"])


def test_the_page_has_the_source_with_what_was_not_caught_at_its_lines(found):
    page = render(mutants_page(found))
    assert "if (!heard &amp;&amp; ++good &lt; 2)" in page
    for each in found.survivors:
        assert f'href="#s0-{each.mutant.line}"' in page
        assert f'id="s0-{each.mutant.line}"' in page
    assert page.count('class="note"') == len(found.survivors)
    assert "A bench result is not an approval" in page


def test_the_screen_has_eighty_columns_and_each_survivor_as_a_diff(found, capsys):
    show_mutants(make_console(width=80), found)
    told = capsys.readouterr().out
    for each in found.survivors:
        assert f"* rear.c:{each.mutant.line}: {each.mutant.kind}\n" in told
        assert f"    + {each.new[0].strip()}\n" in told
    prose = [line for line in told.splitlines() if not line.startswith(("    - ", "    + "))]
    assert max(map(len, prose)) <= 80
    assert "A bench result is not an approval" in told


def test_too_small_a_share_ends_with_1(car, found, capsys):
    words = ["mutants", str(car), "--node", "rear", "--lines", "35", "47", "--jobs", "1", "-q"]
    assert main([*words, "--fail-under", "10"]) == 0
    assert main([*words, "--fail-under", "100"]) == 1
    assert "Expected 100 % at least." in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--node", "rera"], "--node: unknown node 'rera'; expected one of: dash, rear (did you"),
        ([], "--node: expected a node with a program of yours: dash, rear"),
        (["--node", "rear", "--sample", "0"], "--sample: got 0; expected at least 1"),
        (["--node", "rear", "--fail-under", "101"], "expected a share in percent, 0 to 100"),
        (["--node", "rear", "--lines", "3-5"], "nothing in 3-5 of rear.c to plant a mistake into"),
        (["--node", "rear", "--lines", "9", "--changed"], "other lines than '--changed'"),
    ],
)
def test_what_cannot_be_used_is_told_in_one_line(car, words, text, capsys):
    assert main(["mutants", str(car), *words]) == 2
    told = capsys.readouterr().err
    assert text in told
    assert told.count("\n") == 1


def test_a_bundled_node_gets_no_mistake(capsys):
    assert main(["mutants", str(WREN), "--node", "rear"]) == 2
    assert "which is a part of linkloss and not yours" in capsys.readouterr().err


def test_a_node_without_a_program_gets_no_mistake(capsys):
    car = ROOT / "tests" / "logs" / "car" / "vehicle.toml"
    assert main(["mutants", str(car), "--node", "engine"]) == 2
    told = capsys.readouterr().err
    assert "'engine' has no program: what it sends comes from a log; expected a node with a" in told
    assert told.endswith("program of yours: body\n")


@pytest.mark.slow
def test_the_check_of_wren_catches_most_mistakes_in_its_rear_node_in_c(tmp_path, monkeypatch):
    monkeypatch.undo()
    (tmp_path / "rear.c").write_text(REAR_C.read_text(encoding="utf-8"), encoding="utf-8")
    vehicle = c_car(tmp_path, tmp_path / "rear.c")
    found = score(vehicle, Wish(node="rear", sample=40, seed=1), Seen())
    assert found.unbroken == ""
    assert len(found.planted) == 40
    told = [(each.mutant.line, each.new, each.trial.fate) for each in found.survivors]
    assert found.share >= 0.65, told
    open_ = [each for each in found.survivors if each.trial.fate in ("no case", "unjudged")]
    assert len(found.caught) >= 0.85 * (len(found.caught) + len(open_)), told
