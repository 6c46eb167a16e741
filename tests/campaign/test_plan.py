"""Which cases a check runs: every situation without a fault, every fault, names that rerun."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from demo_cases import wren, wren_planned

from linkloss.campaign.cases import NO_FAULT, spans
from linkloss.campaign.check import check
from linkloss.campaign.plan import SOAK, plan
from linkloss.campaign.rotation import MOST_PERIODS
from linkloss.faults.catalogue import catalogue, make_fault
from linkloss.problem import BadInput
from linkloss.vehicle.loading import load_vehicle
from linkloss.vehicle.tables import Action, SituationTable

MS = 1_000_000
ROOT = Path(__file__).parents[2]
TINY = ROOT / "tests" / "report" / "tiny" / "vehicle.toml"


@pytest.fixture(scope="module", params=["tiny", "wren"])
def vehicle(request):
    return wren() if request.param == "wren" else load_vehicle(TINY)


@pytest.fixture(scope="module")
def cases(vehicle):
    """The plan of the vehicle, once for all tests here."""
    return wren_planned("full").cases if vehicle is wren() else plan(vehicle)


@pytest.fixture(scope="module")
def tiny():
    return load_vehicle(TINY)


SOME = ("none", "cut", "bus_off", "noise", "reset", "unplug+reset", "soak")


@pytest.fixture(
    scope="module",
    params=[
        pytest.param(SOME, id="some"),
        pytest.param(None, id="all", marks=pytest.mark.slow),
    ],
)
def only(request):
    """The kinds of faults of which the tiny car is checked; None is all."""
    return request.param


@pytest.fixture(scope="module")
def report(tiny, only):
    """A check of the tiny car, once for all tests here."""
    return check(tiny, only=only, jobs=1)


def with_situations(vehicle, **situations):
    file = vehicle.file.model_copy(update={"situations": situations})
    return replace(vehicle, file=file)


def test_every_situation_has_one_case_without_a_fault_and_it_comes_first(vehicle, cases):
    for name, table in vehicle.situations.items():
        own = [case for case in cases if case.situation == name and not case.counted_as]
        assert own[0].name == f"{name}/{NO_FAULT}"
        assert own[0].lasts_ns == table.lasts
        assert [case.faults for case in own].count(()) == 1


def test_cases_stand_situation_by_situation_in_the_order_of_the_file(vehicle, cases):
    order = list(dict.fromkeys(case.situation for case in cases))
    assert order == list(vehicle.situations)


def test_every_instance_of_every_fault_of_the_catalogue_is_tried(vehicle, cases):
    tried = {timed.fault for case in cases for timed in case.faults}
    for kind, form in catalogue().items():
        for fault in (*form.every(vehicle), *form.of_wiring(vehicle)):
            assert fault in tried, (kind, fault)


def test_names_of_cases_are_unique(cases):
    names = [case.name for case in cases]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("car", ["tiny", pytest.param("wren", marks=pytest.mark.slow)])
def test_a_plan_is_the_same_every_time(car):
    vehicle = wren() if car == "wren" else load_vehicle(TINY)
    one, other = ([(c.name, c.faults, c.lasts_ns) for c in plan(vehicle)] for _ in range(2))
    assert one == other


def test_every_fault_begins_within_the_case_and_leaves_time_to_recover(vehicle, cases):
    recovery_ns = spans(vehicle).recovery
    for case in cases:
        for timed in case.faults:
            assert timed.at_ns >= 0
            assert timed.until_ns is None or timed.until_ns > timed.at_ns
            assert case.lasts_ns >= (timed.until_ns or timed.at_ns) + recovery_ns


def test_an_outage_is_longer_than_every_fail_safe_deadline(vehicle):
    took = spans(vehicle)
    for load in vehicle.loads.values():
        if load.request is not None:
            assert took.outage > load.stale_after + load.reaction + (load.hold_for or 0)
            assert took.brief < load.stale_after


def test_a_node_that_is_unplugged_and_reset_at_once_is_tried(vehicle, cases):
    both = [case for case in cases if case.kinds == "unplug+reset"]
    assert {fault.fault.node for case in both for fault in case.faults} <= set(vehicle.nodes)
    assert both
    for case in both:
        assert len({timed.fault.node for timed in case.faults}) == 1


def test_a_stuck_input_that_must_be_noticed_is_stuck_for_long_enough(vehicle, cases):
    for notice in vehicle.notices.values():
        if notice.stuck is None:
            continue
        longest = max(
            timed.until_ns - timed.at_ns
            for case in cases
            for timed in case.faults
            if timed.fault.kind == "stuck" and timed.fault.input == notice.stuck
        )
        assert longest > notice.longest + notice.within


@pytest.mark.parametrize("at_ms", [0, 10, 60])
def test_an_action_at_power_up_is_tried_with_faults_from_power_up_on(tiny, at_ms):
    action = Action.model_validate({"at": f"{at_ms} ms", "set": {"lights": "on"}})
    early = with_situations(
        tiny, early=SituationTable.model_validate({"lasts": "2 s", "actions": (action,)})
    )
    cases = plan(early)
    assert len({case.name for case in cases}) == len(cases)
    for case in cases:
        assert all(timed.at_ns >= 0 for timed in case.faults)
        assert all(t.until_ns is None or t.until_ns > t.at_ns for t in case.faults)


def test_a_situation_without_actions_is_tried_in_its_middle(tiny):
    still = with_situations(tiny, still=SituationTable.model_validate({"lasts": "3 s"}))
    cases = plan(still)
    assert cases[0].name == "still/none"
    starts = {timed.at_ns for case in cases for timed in case.faults if case.counted_as != SOAK}
    assert starts
    further_ns = (MOST_PERIODS + 2) * spans(still).period
    assert all(abs(at_ns - 1_500 * MS) <= further_ns for at_ns in starts)


def test_the_seed_reaches_every_case(tiny):
    assert {case.seed for case in plan(tiny, 5)} == {5}


def test_a_check_runs_every_case_of_the_plan_in_its_order(tiny, report, only):
    cases = [case for case in plan(tiny) if only is None or case.kinds in only]
    assert [case.name for case in report.cases] == [case.name for case in cases]
    assert report.planned == len(report.cases) > 20
    assert report.simulated_ns == sum(case.lasts_ns for case in cases)


@pytest.mark.parametrize("jobs, branch", [(2, True), (1, False), (2, False)])
def test_a_report_does_not_depend_on_processes_and_branching(tiny, report, only, jobs, branch):
    other = check(tiny, only=only, jobs=jobs, branch=branch)
    assert list(other.cases) == list(report.cases)
    assert other.rules == report.rules
    assert other.findings == report.findings
    assert other.cells == report.cells


def test_each_case_reruns_alone_by_its_name_to_the_same_verdicts(tiny, report):
    for case in list(report.cases)[::3]:
        (again,) = check(tiny, case=case.name, jobs=1).cases
        assert again == case


def test_only_the_kinds_that_were_asked_for_are_run(tiny):
    ran = check(tiny, only=["none", "unplug+reset"], jobs=1)
    assert {case.fault for case in ran.cases} == {"none", "unplug+reset"}
    assert ran.faults == ("none", "unplug+reset")


def test_only_the_situations_that_were_asked_for_are_run(tiny):
    table = SituationTable.model_validate({"lasts": "400 ms"})
    two = with_situations(tiny, **tiny.situations, short=table)
    ran = check(two, only=["none"], situations=["short"], jobs=1)
    assert [case.name for case in ran.cases] == ["short/none"]


def test_nothing_asked_for_is_nothing_run_and_no_success(tiny):
    ran = check(tiny, only=[], jobs=1)
    assert len(ran.cases) == 0
    assert ran.exit_code == 2


@pytest.mark.parametrize(
    "choice, text",
    [
        ({"only": ["cutt"]}, r"--only: unknown fault 'cutt'.*did you mean 'cut'"),
        (
            {"situations": ["nihgt"]},
            r"--situation: unknown situation 'nihgt'; expected one of: night",
        ),
        ({"case": "night/non"}, r"--case: unknown case 'night/non'; .*did you mean 'night/none'"),
    ],
)
def test_a_name_that_does_not_exist_is_refused_with_the_nearest_one(tiny, choice, text):
    with pytest.raises(BadInput, match=text):
        check(tiny, **choice)


def test_progress_counts_every_case_up_to_the_total(tiny):
    told = []
    check(
        tiny, only=["cut", "reset"], jobs=1, progress=lambda done, total: told.append((done, total))
    )
    assert told == [(done, len(told)) for done in range(1, len(told) + 1)]
    assert told


def test_a_momentary_fault_has_no_end_and_the_name_says_only_when(tiny):
    case = next(case for case in plan(tiny) if case.kinds == "reset")
    assert case.faults[0].until_ns is None
    label = case.faults[0].fault.label()
    assert case.name.partition("ms")[0] == f"night/{label}@{case.faults[0].at_ns // MS}"
    assert case.name.partition("ms")[2][:1] in ("", "/")


def test_a_case_is_titled_in_plain_words(tiny):
    fault = make_fault("cut", {"between": ["dash", "rear"]}, tiny)
    case = next(case for case in plan(tiny) if case.kinds == "cut")
    assert case.title == f"night: {fault.describe()}"
    assert plan(tiny)[0].title == "night, no fault"
