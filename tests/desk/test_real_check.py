"""A check at a real node: which cases it takes, what it makes of what broke, and what it tells. The
node and the board are played by simulated runs; no real time passes.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest
from felt_lab import CASES, MS, dated, roomy_wren

from linkloss.campaign.selection import case_named
from linkloss.campaign.store import CaseStore, identity
from linkloss.desk import real_check
from linkloss.desk.adapter_way import AdapterWay
from linkloss.desk.choosing import in_turn
from linkloss.desk.fault_ways import Way, doable, way_of
from linkloss.desk.real_case import Adapter, RealRun
from linkloss.desk.real_check import Order, RealCheck
from linkloss.judge import Outcome
from linkloss.problem import BadInput
from linkloss.recording import Series
from linkloss.report.html import check_page, render
from linkloss.report.machine import check_json
from linkloss.report.markdown import check_markdown
from linkloss.report.words import command
from linkloss.scenario import timed_fault
from linkloss.session import simulate

STORY = "night_drive/unplug(rear)@1432ms+1550ms/reset(rear)@2s"


@pytest.fixture(scope="module")
def vehicle():
    return roomy_wren()


class PlayedDesk:
    """Runs cases in virtual time; ``wrong(case)`` says whether the socket stays on in this run."""

    def __init__(self, vehicle, wrong=lambda case: False, gone_after=None):
        self.vehicle, self.wrong, self.gone_after = vehicle, wrong, gone_after
        self.ran: list[str] = []
        self.now_s = 0.0
        self.known: dict[str, object] = {}
        link = SimpleNamespace(path="/dev/board", lost="")
        self.wired = SimpleNamespace(
            vehicle=vehicle, node="rear", link=link, table=vehicle.io["rear"]
        )
        way = AdapterWay(vehicle, "rear", 3 * MS)
        self.adapter = Adapter("slcan", "/dev/adapter", None, way)

    def case(self, wired, adapter, case):
        return SimpleNamespace(run=lambda: self.run(case))

    def run(self, case):
        self.ran.append(case.name)
        self.now_s += case.lasts_ns / 1e9
        if self.gone_after is not None and len(self.ran) > self.gone_after:
            raise BadInput.one("linkloss", "--io /dev/board", "the I/O board does not answer")
        if case.name not in self.known:
            self.known[case.name] = simulate(case)
        _, recording, outside, desk = dated((self.vehicle, self.known), case.name, 1, MS)
        if self.wrong(case):
            stays = Series()
            stays.set(0, 0.0)
            stays.set(600 * MS, 1.0)
            desk.felt["accessory_socket"] = stays
        return RealRun(replace(case, outside=outside), recording, outside, desk)

    def check(self, monkeypatch, names=CASES, store=None, **order):
        monkeypatch.setattr(real_check, "RealCase", self.case)
        monkeypatch.setattr(RealCheck, "_names", lambda check: list(names))
        made = RealCheck(self.wired, self.adapter, Order(**order), store)
        made.clock = lambda: self.now_s
        return made, made.run()


def test_a_right_node_is_not_called_broken_and_the_report_tells_how_it_was_judged(
    vehicle, monkeypatch
):
    check, report = PlayedDesk(vehicle).check(monkeypatch)
    assert not report.findings
    assert report.exit_code == 3, "much of a real node is not exercised"
    assert {subject for subject, _ in report.declared} <= {"rear", *vehicle.loads}
    kept = {(r.subject, r.rule) for r in report.rules if r.verdict.outcome is Outcome.KEPT}
    assert ("accessory_socket", "stale") in kept
    told = " ".join(report.desk.sentences)
    assert "rear is real and was felt by the I/O board at /dev/board" in told
    assert "measured and worked with: 1 ms to 1 ms" in told
    assert "Way through the adapter: up to 3 ms, as stated with --delay" in told
    assert not check.account.stopped
    for text in (check_json(report), check_markdown(report), render(check_page(report, {}))):
        assert "I/O board at /dev/board" in text


def test_what_breaks_is_run_again_and_made_shorter(vehicle, monkeypatch):
    desk = PlayedDesk(vehicle, wrong=lambda case: "unplug" in case.name)
    _, report = desk.check(monkeypatch, [STORY])
    broken = {(finding.verdict.subject, finding.verdict.rule) for finding in report.findings}
    assert ("accessory_socket", "stale") in broken
    assert desk.ran[:2] == [STORY, STORY]
    shown = next(f for f in report.findings if f.verdict.rule == "stale")
    assert "--real rear --interface slcan --channel /dev/adapter --io /dev/board" in command(
        report, shown.case
    )
    assert shown.case.name == "night_drive/unplug(rear)@1432ms+1550ms"


def test_what_breaks_once_only_is_told_as_such(vehicle, monkeypatch):
    desk = PlayedDesk(vehicle, wrong=lambda case: len(desk.ran) == 1)
    _, report = desk.check(monkeypatch, [CASES[0]])
    assert report.findings
    assert any(
        "broke in" in text and "not when that ran again" in text for text in report.desk.sentences
    )


def test_it_ends_in_time_and_keeps_some_of_it_for_what_broke(vehicle, monkeypatch):
    desk = PlayedDesk(vehicle)
    _, report = desk.check(monkeypatch, for_s=9.0)
    assert len(report.cases) == len(desk.ran) < len(CASES)
    assert desk.now_s <= 9.0
    wrong = PlayedDesk(vehicle, wrong=lambda case: "unplug" in case.name)
    wrong.check(monkeypatch, for_s=25.0)
    assert wrong.ran[:2] == [CASES[0], CASES[0]]
    assert wrong.now_s <= 25.0


def test_a_broken_wire_ends_it_and_with_the_same_results_it_goes_on(vehicle, monkeypatch, tmp_path):
    path, what = tmp_path / "results", identity(vehicle, {})
    desk = PlayedDesk(vehicle, gone_after=2)
    check, report = desk.check(monkeypatch, store=CaseStore.at(path, what, resume=False))
    assert len(report.cases) == 2
    assert "the I/O board does not answer" in check.account.stopped
    assert any("With --results and --resume it goes on" in text for text in report.desk.sentences)
    again = PlayedDesk(vehicle)
    _, report = again.check(monkeypatch, store=CaseStore.at(path, what, resume=True))
    assert again.ran == list(CASES[2:])
    assert len(report.cases) == len(CASES)


def test_who_does_which_fault(vehicle):
    expected = {
        "unplug(rear)@1s+1s": Way.BOARD,
        "unplug(dash)@1s+1s": Way.BENCH,
        "unplug(rear,conductor=CAN_L)@1s+1s": Way.NONE,
        "reset(rear)@1s": Way.BOARD,
        "reset(dash)@1s": Way.BENCH,
        "hang(rear)@1s+1s": Way.NONE,
        "stuck(brake_pedal)@1s+1s": Way.BOARD,
        "stuck(crash)@1s+1s": Way.HAND,
        "bounce(hazard)@1s+1s": Way.NONE,
        "load_open(tail_left)@1s+1s": Way.HAND,
        "load_open(horn)@1s+1s": Way.BENCH,
        "drop(LampRequest,rear)@1s+1s": Way.BENCH,
        "noise(share=0.001)@1s+1s": Way.NONE,
        "battery_off()@1s+1s": Way.NONE,
        "ground_lost(front)@1s+1s": Way.BENCH,
    }
    found = {text: way_of(vehicle, "rear", timed_fault(text, vehicle).fault) for text in expected}
    assert found == expected
    table = vehicle.io["rear"].model_copy(update={"reset": None})
    without = replace(vehicle, file=vehicle.file.model_copy(update={"io": {"rear": table}}))
    reset = timed_fault("reset(rear)@1s", vehicle).fault
    assert way_of(without, "rear", reset) is Way.NONE


def test_a_case_with_the_clock_of_the_node_cannot_be_done(vehicle):
    case = case_named(vehicle, CASES[0])
    assert doable(vehicle, "rear", case)
    assert doable(vehicle, "rear", replace(case, clocks={"dash": 1}))
    assert not doable(vehicle, "rear", replace(case, clocks={"rear": 1}))


def test_situations_come_first_and_then_what_shows_most_of_the_node(vehicle):
    names = ("night_drive/mute(front)@518ms+1551ms", CASES[1], CASES[0], "parked/none", CASES[2])
    cases = [case_named(vehicle, name) for name in names]
    order = [case.name for case in in_turn(vehicle, "rear", cases)]
    assert order[:2] == ["braking/none", "parked/none"]
    assert order[-1] == "night_drive/mute(front)@518ms+1551ms", "it shows nothing of the rear"
    assert sorted(order) == sorted(names)
