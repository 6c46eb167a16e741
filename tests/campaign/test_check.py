"""A check as a whole: the same bytes however the work is spread, cut short, gone on with."""

from __future__ import annotations

import os
import sys
import threading
from functools import cache
from itertools import count
from pathlib import Path

import pytest

from linkloss.campaign import isolation, selection
from linkloss.campaign.check import Hunted, Interrupted, check
from linkloss.campaign.hunt import BATCH, Hunt
from linkloss.campaign.isolation import apart, no_branching
from linkloss.campaign.run import failed_case
from linkloss.campaign.selection import CheckRequest, cases_of, content
from linkloss.campaign.store import CaseStore, identity
from linkloss.problem import BadInput
from linkloss.report.machine import check_json
from linkloss.vehicle.loading import load_vehicle

ROOT = Path(__file__).parents[2]
TINY = ROOT / "tests" / "report" / "tiny" / "vehicle.toml"

CHOICES = {
    "quick": {"depth": "quick"},
    "some": {"depth": "full", "only": ("none", "cut", "bus_off", "hang", "noise", "reset")},
    "full": {"depth": "full"},
    "pairs": {"depth": "pairs", "only": ("unplug+reset", "drop+hang", "reset+flood")},
    "hunt": {"depth": "hunt", "cases": BATCH + 20},
}


def choices(*names, slow=()):
    """Tests with some of them, those that take long in the long run."""
    later = [pytest.param(name, marks=pytest.mark.slow) for name in slow]
    return pytest.mark.parametrize("depth", [*names, *later])


@cache
def tiny():
    return load_vehicle(TINY)


def checked(path, *, resume=False, **choice):
    """The results file and the JSON of a check."""
    named = {name: value for name, value in choice.items() if name in ("depth", "only", "seed")}
    store = CaseStore.at(path, identity(tiny(), named), resume=resume)
    report = check(tiny(), store=store, **choice)
    return path.read_bytes(), check_json(report)


@choices("some", "pairs", slow=["quick", "full", "hunt"])
def test_the_result_files_depend_neither_on_workers_nor_on_branching(tmp_path, monkeypatch, depth):
    choice = CHOICES[depth]
    lines, report = checked(tmp_path / "one", jobs=1, branch=False, **choice)
    monkeypatch.setattr(isolation, "BRANCH_FROM_NS", 0)  # what begins alike stays together now
    found = checked(tmp_path / "two", jobs=2, branch=True, **choice)
    assert sorted(found[0].splitlines()) == sorted(lines.splitlines())
    assert found[1] == report
    assert lines.count(b"\n") > 20


def test_the_report_does_not_depend_on_the_order_in_which_the_cases_run(tmp_path, monkeypatch):
    choice = {"depth": "full", "only": ("none", "cut", "hang")}
    lines, report = checked(tmp_path / "one", **choice)
    monkeypatch.setattr(selection, "turns", lambda cases, *_: range(len(cases))[::-1])
    found = checked(tmp_path / "two", **choice)
    assert found[0].splitlines()[1:] != lines.splitlines()[1:]
    assert sorted(found[0].splitlines()) == sorted(lines.splitlines())
    assert found[1] == report


@choices("pairs", slow=["hunt"])
def test_another_seed_gives_other_result_files(tmp_path, depth):
    one = checked(tmp_path / "one", seed=1, **CHOICES[depth])
    assert checked(tmp_path / "two", seed=2, **CHOICES[depth])[0] != one[0]


@choices("some", slow=["full", "hunt"])
def test_a_check_that_was_cut_short_goes_on_to_the_same_files(tmp_path, depth):
    whole = checked(tmp_path / "whole", **CHOICES[depth])
    lines = whole[0].splitlines(keepends=True)
    cut = tmp_path / "cut"
    cut.write_bytes(b"".join(lines[:31]) + lines[31][:40])
    calls = []
    again = checked(
        cut, resume=True, progress=lambda done, total: calls.append(done), **CHOICES[depth]
    )
    assert again == whole
    assert calls == list(range(31, len(lines)))


@pytest.mark.slow
def test_a_shorter_hunt_is_the_beginning_of_a_longer_one(tmp_path):
    long = checked(tmp_path / "long", depth="hunt", cases=2 * BATCH)[0]
    short = checked(tmp_path / "short", depth="hunt", cases=BATCH + 9)[0]
    assert long.startswith(short)
    assert checked(tmp_path / "short", resume=True, depth="hunt", cases=2 * BATCH)[0] == long


def test_a_hunt_for_a_time_ends_behind_the_batch_that_was_begun():
    clock = count()  # a second passes whenever somebody looks
    batches = Hunted(Hunt(tiny(), batch=5), most_cases=None, for_s=3)
    batches.clock = lambda: next(clock)
    sizes = []
    while batch := batches.next_batch():
        sizes.append(len(batch))
        batches.learn([result(case) for case in batch])
    assert sizes == [5, 5, 5]
    assert batches.total is None


def result(case):
    return failed_case(case, "was not run")


def test_a_hunt_keeps_to_its_kinds_and_situations(tmp_path):
    checked(tmp_path / "file", depth="hunt", cases=40, only=("reset", "unplug"))
    store = CaseStore.at(
        tmp_path / "file",
        identity(tiny(), {"depth": "hunt", "only": ("reset", "unplug")}),
        resume=True,
    )
    kinds = {kind for case in store for kind in case.fault.split("+")}
    assert kinds == {"none", "reset", "unplug"}


def test_a_hunt_without_an_end_is_refused():
    with pytest.raises(BadInput, match=r"expected '--for DURATION' or '--cases NUMBER'"):
        check(tiny(), depth="hunt")


def test_a_hunt_for_an_unknown_kind_is_refused():
    with pytest.raises(BadInput, match=r"unknown fault 'rest'.*did you mean 'reset'"):
        check(tiny(), depth="hunt", cases=1, only=["rest"])


def test_an_interrupt_leaves_a_report_of_what_was_done():
    def interrupt(done, _):
        if done == 7:
            raise KeyboardInterrupt

    with pytest.raises(Interrupted) as caught:
        check(tiny(), depth="full", progress=interrupt)
    assert len(caught.value.report.cases) == 7
    assert str(caught.value).startswith("interrupted after 7 of ")


def test_a_worker_that_finds_other_files_refuses_the_order():
    good = CheckRequest(TINY, depth="quick", content=content(tiny()))
    cases = good.cases(tiny())
    assert [case.name for case in cases_of(good)] == [cases[n].name for n in good.turns(cases)]
    with pytest.raises(RuntimeError, match="not those that the check was begun with"):
        cases_of(CheckRequest(TINY, depth="quick", content="other"))


def test_a_worker_reads_a_program_anew_that_has_changed(tmp_path):
    for name in ("vehicle.toml", "tiny.dbc", "tiny_nodes.py"):
        (tmp_path / name).write_bytes((TINY.parent / name).read_bytes())
    path, source = tmp_path / "vehicle.toml", tmp_path / "tiny_nodes.py"
    before = load_vehicle(path)
    source.write_text(source.read_text() + "\nCHANGED = True\n")
    assert content(before) != content(tiny())
    (case, *_) = cases_of(CheckRequest(path, depth="quick", content=content(before)))
    program = case.vehicle.programs["rear"]
    assert sys.modules[program.__module__].CHANGED


def test_what_is_done_apart_comes_back_or_is_lost_alone():
    assert apart(lambda: [1, 2], 10) == [1, 2]
    assert apart(lambda: os._exit(3), 10) is None
    assert apart(lambda: os.kill(os.getpid(), 9), 10) is None


def test_a_program_with_threads_does_not_branch_and_says_why():
    stop = threading.Event()
    thread = threading.Thread(target=stop.wait)
    assert no_branching() == ""
    thread.start()
    try:
        assert no_branching() == "this program has 2 threads, and only one may fork"
        assert apart(os.getpid, 10) == os.getpid()
    finally:
        stop.set()
        thread.join()
    assert apart(os.getpid, 10) != os.getpid()


@pytest.mark.slow
@choices("some", "quick")
def test_with_threads_the_results_are_the_same(tmp_path, depth):
    choice = CHOICES[depth]
    alone = checked(tmp_path / "alone", jobs=1, **choice)
    stop = threading.Event()
    thread = threading.Thread(target=stop.wait)
    thread.start()
    try:
        assert checked(tmp_path / "among", jobs=1, **choice) == alone
        assert checked(tmp_path / "spawned", jobs=2, **choice) == alone
    finally:
        stop.set()
        thread.join()
