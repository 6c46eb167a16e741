"""Cases in processes of their own: equal results, and what crashes or hangs is a finding."""

from __future__ import annotations

import asyncio
import ctypes
import os
import signal
from dataclasses import replace
from pathlib import Path

import pytest
from demo_cases import some_cases, wren

from linkloss.campaign import isolation
from linkloss.campaign.isolation import NoAnswer, NotFinished, isolated
from linkloss.campaign.run import PROCESS, run_case
from linkloss.clock.wallclock import ProcessTime, process_time
from linkloss.session import Session, simulate
from linkloss_nodes import MS, Node
from linkloss_nodes.power import PowerNode


class Sleeper(Node):
    """A coroutine that does nothing but wake up."""

    async def run(self):
        while True:
            await asyncio.sleep(0.013)
            self.board.write("tail_left", 1.0)


class Crasher(Node):
    """Brings its whole process down at its first reset, as wild native code would."""

    def start(self):
        if self.board.memory.setdefault("starts", 0):
            ctypes.CDLL(None).kill(os.getpid(), signal.SIGKILL)
        self.board.memory["starts"] += 1


class Leaver(Node):
    """Ends its whole process at its first reset as if all were well."""

    code = 0

    def start(self):
        if self.board.memory.setdefault("starts", 0):
            ctypes.CDLL(None)._exit(self.code)
        self.board.memory["starts"] += 1


class Spinner(Node):
    """Never comes back from its second start."""

    def start(self):
        while self.board.memory.setdefault("starts", 0):
            pass
        self.board.memory["starts"] += 1


class Blocker(Node):
    """Waits for ever in a call of the system at its second start, and computes nothing."""

    def start(self):
        if self.board.memory.setdefault("starts", 0):
            ctypes.CDLL(None).pause()
        self.board.memory["starts"] += 1


class Stopper(PowerNode):
    """The right node, whose process somebody stops at its second start."""

    def start(self):
        super().start()
        if self.board.memory.setdefault("starts", 0):
            ctypes.CDLL(None).kill(os.getpid(), signal.SIGSTOP)
        self.board.memory["starts"] += 1


@pytest.fixture(scope="module")
def vehicle():
    return wren()


def cases_of(vehicle, *kinds, situation="braking", number=4):
    found = [replace(case, vehicle=vehicle) for case in some_cases(kinds, [situation])]
    return found[:: max(1, len(found) // number)][:number]


def with_rear(vehicle, program):
    return replace(vehicle, programs={**vehicle.programs, "rear": program})


@pytest.mark.parametrize("program", [None, Sleeper], ids=["bundled", "coroutine"])
def test_branching_changes_no_verdict(vehicle, monkeypatch, program):
    """A common beginning run once, or every case from power-up: the same results."""
    monkeypatch.setattr(isolation, "BRANCH_FROM_NS", 0)
    car = vehicle if program is None else with_rear(vehicle, program)
    cases = cases_of(car, "none", "cut", "drop", "bus_off", "bounce", number=8)
    plain = [run_case(case) for case in cases]
    assert isolated(cases, branch=True, limit_s=60) == plain
    assert isolated(cases, branch=False, limit_s=60) == plain


def test_a_session_that_goes_on_records_what_a_whole_run_records(vehicle):
    for case in cases_of(vehicle, "corrupt", "reset", "open", situation="night_drive"):
        session = Session(replace(case, faults=()))
        session.begin()
        session.run_to(case.parts_ns)
        assert session.go_on(case) == simulate(case)


def test_a_case_that_crashes_its_process_is_a_finding_and_the_others_go_on(vehicle):
    cases = cases_of(with_rear(vehicle, Crasher), "none", "reset", number=12)
    crashing = [index for index, case in enumerate(cases) if "reset(rear)" in case.name]
    assert crashing
    results = isolated(cases, branch=False, limit_s=60)
    for index, result in enumerate(results):
        process = [v for v in result.verdicts if v.subject == PROCESS]
        assert bool(process) == (index in crashing)
        assert [case.name for case in cases][index] == result.name


def test_a_crash_behind_a_common_beginning_names_its_signal(vehicle, monkeypatch):
    monkeypatch.setattr(isolation, "BRANCH_FROM_NS", 0)
    cases = [
        case
        for case in cases_of(with_rear(vehicle, Crasher), "reset", number=99)
        if "reset(rear)" in case.name
    ]
    (verdict,) = isolated(cases[:1], branch=True, limit_s=60)[0].verdicts
    assert verdict.broken
    assert verdict.text == f"its process was ended by {signal.SIGKILL.name}"


def test_a_case_that_ends_with_exit_code_0_and_no_result_is_a_finding(vehicle, monkeypatch):
    monkeypatch.setattr(isolation, "BRANCH_FROM_NS", 0)
    cases = [
        case
        for case in cases_of(with_rear(vehicle, Leaver), "reset", number=99)
        if "reset(rear)" in case.name
    ]
    for result in isolated(cases[:2], branch=True, limit_s=60):
        assert [verdict.text for verdict in result.verdicts] == [
            "its process ended with exit code 0"
        ]


def test_whatever_the_exit_code_each_result_is_that_of_its_own_case(vehicle, monkeypatch):
    """No exit code stands for a result: else those behind it would move up by one case."""
    monkeypatch.setattr(isolation, "BRANCH_FROM_NS", 0)
    cases = cases_of(with_rear(vehicle, Leaver), "none", "reset", number=8)
    leaving = {case.name for case in cases if "reset(rear)" in case.name}
    assert leaving
    for code in (0, 1, 113, 255):
        monkeypatch.setattr(Leaver, "code", code)
        results = isolated(cases, branch=True, limit_s=60)
        assert [result.name for result in results] == [case.name for case in cases]
        ended = f"its process ended with exit code {code}"
        for result in results:
            texts = [v.text for v in result.verdicts if v.subject == PROCESS]
            assert texts == [ended] * (result.name in leaving)


def test_a_process_that_is_ended_behind_its_result_changes_nothing(vehicle, monkeypatch):
    monkeypatch.setattr(isolation, "BRANCH_FROM_NS", 0)
    cases = cases_of(vehicle, "none", "cut")
    plain = [run_case(case) for case in cases]
    monkeypatch.setattr(os, "_exit", lambda code: os.kill(os.getpid(), signal.SIGKILL))
    assert isolated(cases, branch=True, limit_s=60) == plain


HUNG = {
    Spinner: "hung: no end within 0.5 s of processor time",
    Blocker: "hung: blocked in calls of the system for 0.5 s",
}


@pytest.mark.parametrize("branch", [False, True], ids=["in turn", "branching"])
@pytest.mark.parametrize("program", HUNG)
def test_a_case_that_hangs_is_a_finding_after_the_limit(vehicle, monkeypatch, program, branch):
    monkeypatch.setattr(isolation, "BRANCH_FROM_NS", 0)
    cases = [
        case
        for case in cases_of(with_rear(vehicle, program), "none", "reset", number=99)
        if "reset(rear)" in case.name or case.kinds == "none"
    ][:2]
    results = isolated(cases, branch=branch, limit_s=0.5)
    hung = [result for result in results if result.verdicts[0].subject == PROCESS]
    assert [result.name for result in hung] == [
        case.name for case in cases if case.kinds == "reset"
    ]
    assert {result.verdicts[0].text for result in hung} == {HUNG[program]}


@pytest.mark.parametrize("branch", [False, True], ids=["in turn", "branching"])
def test_a_right_car_whose_process_is_stopped_for_longer_than_the_limit_is_not_broken(
    vehicle, monkeypatch, branch
):
    monkeypatch.setattr(isolation, "BRANCH_FROM_NS", 0)
    monkeypatch.setattr(isolation, "TICK_S", 0.01)
    (case, *_) = [c for c in cases_of(vehicle, "reset", number=99) if "reset(rear)" in c.name]
    stopped = replace(case, vehicle=with_rear(vehicle, Stopper))
    looks = []

    def look_and_wake(process):
        now = process_time(process)
        if " T " in Path(f"/proc/{process}/stat").read_text():
            looks.append(process)
            if len(looks) == 100:  # longer than the limit
                os.kill(process, signal.SIGCONT)
        return now

    monkeypatch.setattr(isolation, "process_time", look_and_wake)
    assert isolated([stopped], branch=branch, limit_s=0.8) == [run_case(case)]
    assert len(looks) == 100


class Silence:
    """The end of a pipe through which something comes after so many looks; None: never."""

    def __init__(self, looks):
        self.looks = looks

    def poll(self, _):
        if self.looks is not None:
            self.looks -= 1
        return self.looks == 0


@pytest.mark.parametrize(
    "cpu_s, sleeps, raised",
    [
        (0.25, False, (NoAnswer, "hung: no end within 60 s of processor time")),
        (0.0, True, (NoAnswer, "hung: blocked in calls of the system for 60 s")),
        (
            0.0,
            False,
            (NotFinished, "not finished: this machine had no processor time for it within 1200 s"),
        ),
    ],
    ids=["computes", "sleeps", "waits for a processor"],
)
def test_what_a_process_does_between_two_looks_says_why_it_does_not_answer(
    monkeypatch, cpu_s, sleeps, raised
):
    spent = iter(range(10**6))

    def look(_):
        return ProcessTime(next(spent) * cpu_s, sleeps)

    monkeypatch.setattr(isolation, "process_time", look)
    kind, text = raised
    with pytest.raises(kind) as caught:
        isolation._Watch(1, 60.0).wait(Silence(None))
    assert str(caught.value) == text


def test_a_slow_machine_has_time_until_the_process_has_computed_for_the_limit(monkeypatch):
    """A tenth of a processor: 500 s pass until 50 s are computed, and the answer is there."""
    spent = iter(range(10**6))
    monkeypatch.setattr(
        isolation, "process_time", lambda _: ProcessTime(next(spent) * 0.025, sleeps=False)
    )
    isolation._Watch(1, 60.0).wait(Silence(2_000))
    with pytest.raises(NoAnswer, match="no end within 60 s of processor time"):
        isolation._Watch(1, 60.0).wait(Silence(3_000))


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
def test_the_processor_time_of_a_process_is_its_own():
    before = process_time(os.getpid())
    while process_time(os.getpid()).cpu_s < before.cpu_s + 0.05:
        pass
    assert not before.sleeps
    assert process_time(1 << 30) is None


def test_settings_of_the_bundled_node_are_not_needed_by_a_homemade_one(vehicle):
    """The planted programs above really ran: the coroutine lit its lamp."""
    recording = simulate(cases_of(with_rear(vehicle, Sleeper), "none")[0])
    boot_ns = vehicle.nodes["rear"].usual_boot_ns
    assert (boot_ns + 13 * MS, 1.0) in recording.outputs["tail_left"].changes()
