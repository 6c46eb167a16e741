"""Findings as plain sentences, asserted word for word."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_values import CUT, broken, case, mixed_report, report, run_result, vehicle

from linkloss.campaign.result import CheckReport
from linkloss.judge import declared_rules
from linkloss.report.words import (
    command,
    finding_sentence,
    outcome_line,
    rule_words,
    run_sentence,
    short_margin,
)
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.loading import load_vehicle


def sentence(verdict, fault="cut", **more) -> str:
    return finding_sentence(vehicle(), verdict, case(fault, verdict, **more))


@pytest.mark.parametrize(
    ("verdict", "expected"),
    [
        (
            broken("tail_lamp", "stale", "was off instead of on; wrong for 4.7 s"),
            f"tail_lamp went dark 312 ms after {CUT}; rule: stale (hold); wrong for 4.7 s",
        ),
        (
            broken("buzzer", "stale", "was on instead of off; wrong for 4.7 s"),
            f"buzzer came on 312 ms after {CUT}; rule: stale (hold); wrong for 4.7 s",
        ),
        (
            broken("buzzer", "stale", "was off instead of on; wrong for 4.7 s"),
            f"buzzer went off 312 ms after {CUT}; rule: stale (hold); wrong for 4.7 s",
        ),
        (
            broken("tail_lamp", "reset", "was off instead of on; wrong for 4.7 s"),
            (
                f"tail_lamp was dark instead of on, 312 ms after {CUT}; rule: reset (on);"
                " wrong for 4.7 s"
            ),
        ),
        (
            broken("indicator", "flash", "did not light up again within 1 s"),
            (
                f"indicator did not light up again within 1 s, 312 ms after {CUT};"
                " rule: flash (60 to 120 per minute); wrong for 4.7 s"
            ),
        ),
        (
            broken("buzzer", "never", "was on while speed > 50, for 4.8 s; allowed: 100 ms"),
            (
                f"buzzer was on while speed > 50, for 4.8 s; allowed: 100 ms, 312 ms after {CUT};"
                " rule: never (on while speed > 50); wrong for 4.7 s"
            ),
        ),
        (
            broken(
                "tail_lamp",
                "rejoin",
                "message LampRequest did not reach node rear although no fault was left;"
                " look at node dash",
                culprit="dash",
            ),
            (
                "tail_lamp: message LampRequest did not reach node rear although no fault was left;"
                f" look at node dash, 312 ms after {CUT}; rule: rejoin (1 s); wrong for 4.7 s"
            ),
        ),
        (
            broken(
                "rear_lost", "notice", "the notice was not given; wrong for 4.7 s", culprit="dash"
            ),
            (
                f"notice rear_lost was not given, 312 ms after {CUT}; rule: notice (within 800 ms);"
                " wrong for 4.7 s; look at node dash"
            ),
        ),
        (
            broken(
                "LampRequest.Position",
                "control",
                "node dash asked for off while its inputs ask for on; wrong for 4.7 s",
                culprit="dash",
            ),
            (
                "LampRequest.Position: node dash asked for off while its inputs ask for on,"
                f" 312 ms after {CUT}; rule: control (follows lights == on); wrong for 4.7 s"
            ),
        ),
        (
            broken(
                "rear",
                "rejoin",
                "sent no RearStatus although no fault was left, for 4.7 s",
                culprit="rear",
            ),
            (
                "node rear sent no RearStatus although no fault was left,"
                f" 312 ms after {CUT}; rule: rejoin (1 s); wrong for 4.7 s"
            ),
        ),
        (
            broken(
                "rear",
                "stopped",
                "node rear was not restarted within 300 ms after its program stopped;"
                " late by 4.7 s",
                culprit="rear",
            ),
            (
                "node rear was not restarted within 300 ms after its program stopped,"
                f" 312 ms after {CUT}; rule: stopped (watchdog 300 ms); wrong for 4.7 s"
            ),
        ),
    ],
)
def test_a_finding_says_who_what_when_which_rule_and_for_how_long(verdict, expected):
    assert sentence(verdict) == expected


def test_a_finding_without_a_fault_says_so():
    verdict = broken("tail_lamp", "fresh", "was off instead of on; wrong for 4.7 s")
    assert sentence(verdict, "none") == (
        "tail_lamp was dark instead of on, at 812 ms, without any fault;"
        " rule: fresh (follows LampRequest.Position); wrong for 4.7 s"
    )


def test_what_broke_before_the_fault_is_not_blamed_on_it():
    verdict = broken("tail_lamp", "fresh", "was off instead of on", at_ms=400)
    assert f", 100 ms before {CUT};" in sentence(verdict)


def test_a_run_tells_from_its_recording_whether_a_load_went_or_stayed():
    result = run_result()
    went = broken("tail_lamp", "fresh", "was off instead of on", at_ms=812)
    stayed = replace(went, at_ns=820_000_000)
    assert run_sentence(result, went).startswith("tail_lamp went dark 12 ms after rear was reset;")
    assert run_sentence(result, stayed).startswith("tail_lamp stayed dark 20 ms after rear was")


def test_a_run_counts_from_the_last_fault_before_the_break_only():
    verdict = broken("tail_lamp", "fresh", "was off instead of on", at_ms=300)
    assert ", without any fault;" in run_sentence(run_result(), verdict).replace(" at 300 ms", "")


@pytest.mark.parametrize(
    ("subject", "rule", "expected"),
    [
        ("buzzer", "then", "then (off after 1 s)"),
        ("buzzer", "never 2", "never 2"),
        ("tail_lamp", "dark", "dark (200 ms)"),
        ("tail_lamp", "end to end", "end to end"),
        ("dash", "stopped", "stopped (no watchdog)"),
        ("nobody", "fresh", "fresh"),
    ],
)
def test_a_rule_is_named_with_what_the_vehicle_declares(subject, rule, expected):
    assert rule_words(vehicle(), subject, rule) == expected


def test_rules_of_the_supply_are_named_with_their_times():
    wren = load_vehicle(demo_vehicle())
    assert rule_words(wren, "tail_left", "back") == "back (1 s)"
    said = "neighbours (a short takes their current for 100 ms)"
    assert rule_words(wren, "rear", "neighbours") == said


def test_every_rule_that_the_demo_declares_has_words():
    wren = load_vehicle(demo_vehicle())
    bare = {
        rule for subject, rule in declared_rules(wren) if rule_words(wren, subject, rule) == rule
    }
    assert bare <= {"end to end", "reset", "steady", "fed"}


def test_the_command_reruns_one_case():
    found = mixed_report()
    assert command(found, found.cases[1]) == (
        f"linkloss check {vehicle().path} --case 'night/cut(dash,rear)@500ms'"
    )
    assert command(found, found.cases[0]).endswith(" --case 'night'")


def test_the_command_quotes_paths_and_names_for_the_shell_and_keeps_the_seed():
    entry = replace(case("none"), name="it's dark")
    odd = replace(vehicle(), path=Path("my car/vehicle.toml"))
    found = CheckReport(odd, 7, (), (entry,))
    assert command(found, entry) == (
        "linkloss check 'my car/vehicle.toml' --case 'it'\"'\"'s dark' --seed 7"
    )


def test_the_demo_needs_no_file_in_its_command():
    entry = case("none")
    found = CheckReport(load_vehicle(demo_vehicle()), 0, (), (entry,))
    assert command(found, entry) == "linkloss check --case 'night'"


@pytest.mark.parametrize(
    ("ns", "expected"),
    [
        (312_000_000, "312ms"),
        (312_999_999, "312ms"),
        (-312_000_001, "-313ms"),
        (4_719_999_999, "4.71s"),
        (-4_700_000_000, "-4.7s"),
        (-4_701_000_000, "-4.71s"),
        (12_340_000, "12.3ms"),
        (99_999_999, "99.9ms"),
        (1_000, "1us"),
        (999, "999ns"),
        (-7, "-7ns"),
        (0, "0ns"),
        (123_456_000_000_000, "123456s"),
    ],
)
def test_a_short_margin_never_shows_more_time_than_there_was(ns, expected):
    assert short_margin(ns) == expected


@given(st.integers(-(10**12), 10**12))
def test_a_short_margin_is_at_most_the_margin_and_within_one_in_a_hundred(ns):
    text = short_margin(ns)
    unit = next(unit for unit in ("ns", "us", "ms", "s") if text.endswith(unit))
    size = {"ns": 1, "us": 10**3, "ms": 10**6, "s": 10**9}[unit]
    whole, _, part = text.removesuffix(unit).lstrip("-").partition(".")
    shown = (int(whole) * 100 + int(part.ljust(2, "0") or 0)) * size // 100
    shown = -shown if text.startswith("-") else shown
    assert shown <= ns
    assert ns - shown <= max(abs(ns) // 100, 0)


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        (report(), "No case was run: nothing was tested."),
        (report(case("none")), "No rule is declared: nothing was judged."),
        (mixed_report(), "2 rules broken."),
        (
            report(case("none"), declared=(("tail_lamp", "fresh"),)),
            "No rule was broken, but 1 rule was not exercised.",
        ),
    ],
)
def test_the_outcome_claims_no_more_than_was_tested(found, expected):
    assert outcome_line(found) == expected
