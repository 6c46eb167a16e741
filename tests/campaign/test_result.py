"""What cases amount to: exit codes, cells, rules, findings and margins, on results made by hand."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import permutations
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.campaign.result import CaseResult, CheckReport, RunResult
from linkloss.campaign.store import CaseStore
from linkloss.judge import Outcome, Unjudged, Verdict
from linkloss.judge.verdict import Cause
from linkloss.vehicle.loading import load_vehicle

MS = 1_000_000
TINY = Path(__file__).parents[1] / "report" / "tiny" / "vehicle.toml"
LAMP, HORN = ("lamp", "stale"), ("horn", "fresh")


@cache
def vehicle():
    return load_vehicle(TINY)


def kept(place, margin_ms=None) -> Verdict:
    return Verdict(*place, Outcome.KEPT, None if margin_ms is None else margin_ms * MS)


def broken(place, at_ms=700, margin_ms=-100) -> Verdict:
    margin_ns = None if margin_ms is None else margin_ms * MS
    return Verdict(*place, Outcome.BROKEN, margin_ns, at_ms * MS, None, Cause.TOLD, "was off")


def untested(place) -> Verdict:
    return Verdict(*place, Outcome.NOT_EXERCISED)


def case(name: str, *verdicts: Verdict, fault="cut", fault_ms: int | None = 500) -> CaseResult:
    fault_ns = None if fault_ms is None else fault_ms * MS
    return CaseResult(name, "night", fault, "", fault_ns, 2_000 * MS, 10, verdicts)


def report(*cases: CaseResult, declared=(LAMP, HORN)) -> CheckReport:
    return CheckReport(vehicle(), 0, declared, cases)


@pytest.mark.parametrize(
    "cases, declared, code",
    [
        ([case("a", kept(LAMP), kept(HORN))], (LAMP, HORN), 0),
        ([case("a", kept(LAMP)), case("b", kept(HORN))], (LAMP, HORN), 0),
        ([case("a", kept(LAMP))], (LAMP, HORN), 3),
        ([case("a", kept(LAMP), untested(HORN))], (LAMP, HORN), 3),
        ([case("a")], (LAMP,), 3),
        ([case("a", broken(LAMP), kept(HORN))], (LAMP, HORN), 1),
        ([case("a", broken(LAMP))], (LAMP, HORN), 1),
        ([case("a", kept(LAMP)), case("b", broken(LAMP))], (LAMP,), 1),
        ([case("a", broken(LAMP)), case("b", kept(LAMP))], (LAMP,), 1),
        ([case("a", kept(LAMP), broken(("dash", "program")))], (LAMP,), 1),
        ([case("a", broken(LAMP))], (), 2),
        ([], (LAMP,), 2),
        ([], (), 2),
    ],
)
def test_the_exit_code_of_a_check(cases, declared, code):
    assert report(*cases, declared=declared).exit_code == code


@pytest.mark.parametrize(
    "verdicts, expected, code",
    [
        ([kept(LAMP)], [], 0),
        ([untested(LAMP)], [kept(("lamp", "expected"))], 0),
        ([kept(LAMP), untested(HORN)], [], 0),
        ([untested(LAMP)], [], 3),
        ([], [], 3),
        ([kept(LAMP), broken(HORN)], [], 1),
        ([kept(LAMP)], [broken(("lamp", "expected"))], 1),
    ],
)
def test_the_exit_code_of_one_run(verdicts, expected, code):
    result = RunResult(None, None, tuple(verdicts), tuple(expected))
    assert result.exit_code == code
    assert len(result.broken) == (code == 1)


def test_what_is_unjudged_ends_a_check_with_3_unless_the_vehicle_file_allows_it():
    whole = report(case("a", kept(LAMP), kept(HORN)))
    silent, allowed = Unjudged("supply", "none"), Unjudged("status of dash", "none", "a stub")
    assert replace(whole, unjudged=(allowed,)).exit_code == 0
    left = replace(whole, unjudged=(allowed, silent))
    assert (left.exit_code, left.silent) == (3, (silent,))
    broke = report(case("a", broken(LAMP)))
    assert replace(broke, unjudged=(silent,)).exit_code == 1


def test_a_cell_is_broken_before_kept_before_not_exercised():
    made = report(
        case("a", kept(LAMP, 5), fault="cut"),
        case(
            "b", broken(("lamp", "fresh"), margin_ms=-70), kept(("lamp", "reset"), 1), fault="cut"
        ),
        case("c", kept(LAMP, 9), kept(("lamp", "fresh"), 4), fault="mute"),
        case("d", untested(HORN), fault="mute"),
    )
    assert made.cells["lamp", "cut"] == (Outcome.BROKEN, -70 * MS, ("fresh",))
    assert made.cells["lamp", "mute"] == (Outcome.KEPT, 4 * MS, ("stale", "fresh"))
    assert made.cells["horn", "mute"] == (Outcome.NOT_EXERCISED, None, ())
    assert made.cells["horn", "cut"] == (Outcome.NOT_EXERCISED, None, ())


def test_a_cell_with_several_broken_rules_names_them_all_with_the_smallest_margin():
    made = report(
        case("a", broken(LAMP, margin_ms=-50)),
        case("b", broken(("lamp", "fresh"), margin_ms=None), broken(LAMP, margin_ms=-80)),
    )
    assert made.cells["lamp", "cut"] == (Outcome.BROKEN, -80 * MS, ("stale", "fresh"))


def test_the_table_has_a_row_for_each_declared_subject_and_a_column_for_each_kind():
    made = report(
        case("z", fault="unplug+reset"),
        case("a", fault="mute"),
        case("b", fault="cut"),
        case("n", fault="none", fault_ms=None),
        case("c", broken(("dash", "program")), fault="cut"),
    )
    assert made.subjects == ("lamp", "horn", "dash")
    assert made.faults == ("none", "cut", "mute", "unplug+reset")
    assert set(made.cells) == {(s, f) for s in made.subjects for f in made.faults}


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_the_worst_margin_of_a_rule_is_shown_with_its_case_whatever_the_order(order):
    cases = [case("a", kept(LAMP, 40)), case("b", kept(LAMP, 3)), case("c", kept(LAMP))]
    rule = report(*(cases[index] for index in order)).rules[0]
    assert (rule.subject, rule.rule) == LAMP
    assert rule.verdict.margin_ns == 3 * MS
    assert rule.case.name == "b"


def test_a_broken_rule_stands_before_any_smaller_margin_of_a_kept_one():
    made = report(case("a", kept(LAMP, 0)), case("b", broken(LAMP, margin_ms=None)))
    assert made.rules[0].verdict.broken
    assert made.rules[0].case.name == "b"


def test_rules_stand_as_declared_and_those_that_nobody_tested_are_listed():
    made = report(case("a", kept(HORN), broken(("dash", "program"))))
    assert [(rule.subject, rule.rule) for rule in made.rules] == [LAMP, HORN, ("dash", "program")]
    assert made.not_exercised == (LAMP,)
    assert made.rules[0].case is None


def test_a_finding_is_shown_by_the_simplest_case():
    made = report(
        case("two", broken(LAMP, at_ms=500), fault="unplug+reset"),
        case("late", broken(LAMP, at_ms=900)),
        case("soon", broken(LAMP, at_ms=620)),
        case("soon too", broken(LAMP, at_ms=620)),
        case("before the fault", broken(LAMP, at_ms=400)),
        case("fine", kept(LAMP)),
    )
    (finding,) = made.findings
    assert finding.case.name == "soon"
    assert finding.times == 5


def test_each_broken_rule_is_one_finding_in_the_order_in_which_it_was_found():
    made = report(
        case("a", broken(HORN)), case("b", broken(LAMP), broken(HORN)), case("c", broken(LAMP))
    )
    assert [(f.verdict.subject, f.times) for f in made.findings] == [("horn", 2), ("lamp", 2)]


def test_simulated_time_and_frames_are_summed():
    made = report(case("a"), case("b"), case("c"))
    assert (made.simulated_ns, made.tally.frames) == (6_000 * MS, 30)


_verdicts = st.lists(
    st.builds(
        Verdict,
        st.sampled_from(["lamp", "horn"]),
        st.sampled_from(["stale", "fresh"]),
        st.sampled_from([Outcome.KEPT, Outcome.BROKEN, Outcome.NOT_EXERCISED]),
        st.none() | st.integers(-10, 10),
        st.none() | st.integers(0, 10**9),
    ),
    max_size=4,
)
_cases = st.lists(
    st.tuples(_verdicts, st.sampled_from(["cut", "mute"])).map(
        lambda made: case(str(len(made[0])), *made[0], fault=made[1])
    ),
    max_size=5,
)


@given(_cases)
def test_a_cell_is_never_better_than_any_verdict_in_it(cases):
    for (subject, fault), cell in report(*cases).cells.items():
        own = [v for c in cases if c.fault == fault for v in c.verdicts if v.subject == subject]
        outcomes = {verdict.outcome for verdict in own}
        worst = next(
            (o for o in (Outcome.BROKEN, Outcome.KEPT) if o in outcomes), Outcome.NOT_EXERCISED
        )
        assert cell.outcome is worst
        margins = [v.margin_ns for v in own if v.outcome is worst and v.margin_ns is not None]
        assert cell.margin_ns == (min(margins) if margins and cell.rules else None)


@given(_cases)
def test_only_a_check_in_which_everything_was_kept_succeeds(cases):
    places = {LAMP, ("lamp", "fresh"), HORN, ("horn", "stale")}
    made = report(*cases, declared=tuple(sorted(places)))
    verdicts = [verdict for c in cases for verdict in c.verdicts]
    kept_places = {(v.subject, v.rule) for v in verdicts if v.outcome is Outcome.KEPT}
    assert (made.exit_code == 0) == (
        kept_places >= places and not any(verdict.broken for verdict in verdicts)
    )


@given(_cases)
def test_results_on_disk_amount_to_the_same_as_results_in_memory(cases):
    store = CaseStore()
    for entry in cases:
        store.append(entry)
    assert list(store) == cases
    assert CheckReport(vehicle(), 0, (LAMP, HORN), store).cells == report(*cases).cells
