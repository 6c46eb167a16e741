"""One run on the screen."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from report_values import MS, kept, run_result, untested

from linkloss.campaign.result import CAUTION, RunResult
from linkloss.recording import series
from linkloss.report.screen import make_console
from linkloss.report.timeline import Entry, instant, show_run, spells


def shown(result: RunResult, width: int = 100, **options) -> list[str]:
    stream = io.StringIO()
    show_run(make_console(stream, width), result, **options)
    return [line.rstrip() for line in stream.getvalue().splitlines()]


def test_a_run_is_told_in_order_of_time_then_judged():
    assert shown(run_result(), 80) == [
        "The cable is cut",
        "Tiny (car/vehicle.toml), 6 s, seed 0",
        "at the beginning: lights = off, speed = 30",
        "",
        "   0.0000 s  nodes dash, rear: reset (power-up)",
        "   0.0200 s  nodes dash, rear: running (boot)",
        "   0.2000 s  input lights = on",
        "   0.2500 s  tail_lamp: on",
        "   0.2500 s  buzzer: on at 40%",
        "   0.3330 s  indicator: flashing, 90 per minute",
        "   0.5000 s  fault cut: the cable between dash and rear was cut",
        "   0.6000 s  controller of rear: error-passive (TEC 128, REC 0)",
        "   0.7000 s  controller of rear: bus-off (TEC 256, REC 0)",
        "   0.8000 s  fault reset: rear was reset",
        "   0.8120 s  tail_lamp: off",
        "   0.9000 s  node rear: hung (fault)",
        "   0.9500 s  node rear: the program failed at rear.py:7: KeyError: 'lights'",
        "   0.9600 s  fault mute: rear fell silent (until the end)",
        "   1.0000 s  fault cut cleared after 500 ms: the cable between dash and rear was",
        "             cut",
        "   1.1000 s  notice rear_lost: given (DashNotices.RearLost)",
        "   1.7000 s  notice rear_lost: withdrawn (DashNotices.RearLost)",
        "   3.9960 s  indicator: off",
        "",
        "Broken: 1 rule",
        "* tail_lamp went dark 12 ms after rear was reset; rule: stale (hold); wrong for",
        "  4.7 s",
        "",
        "Kept: 2 rules, with the margins",
        "* tail_lamp: fresh 148ms, reset",
        "",
        "Expectations",
        "* broken: tail_lamp on from 300 ms to 1.4 s; was off at 812 ms; expected: on",
        "",
        "1 rule and 1 expectation broken.",
        "rules: 2 kept, 1 broken, 1 not exercised in this run",
        "on the bus: 3 frames, and 1 attempt that failed",
        "",
        "A bench result is not an approval. Local rules and licensed practice decide what",
        "may go on the road. Test the real car standing still, wheels chocked, clear of",
        "moving parts.",
    ]


@pytest.mark.parametrize("width", [60, 80, 160])
def test_no_line_of_a_run_is_wider_than_the_screen(width):
    assert all(len(line) <= width for line in shown(run_result(), width))


@pytest.mark.parametrize("quiet", [True, False])
def test_a_run_carries_the_caution(quiet):
    assert CAUTION in " ".join(" ".join(shown(run_result(), quiet=quiet)).split())


def test_quiet_shows_what_broke_and_no_timeline():
    text = "\n".join(shown(run_result(), 160, quiet=True))
    assert "controller of rear" not in text
    assert "Kept" not in text
    assert "* tail_lamp went dark" in text
    assert "* broken: tail_lamp on" in text


def test_a_run_that_tested_nothing_is_not_called_good():
    result = replace(run_result(), verdicts=(untested("buzzer", "then"),), expected=())
    result = replace(result, scenario=replace(result.scenario, expectations=()))
    assert "Nothing was put to the test." in shown(result)


def test_a_run_that_broke_nothing_claims_only_what_was_tested():
    result = replace(run_result(), verdicts=(kept("tail_lamp", "fresh", 2),), expected=())
    result = replace(result, scenario=replace(result.scenario, expectations=()))
    assert "Nothing that was put to the test broke." in shown(result)


@pytest.mark.parametrize(
    ("at_ns", "expected"),
    [(0, "0.0000 s"), (1_999_999_999, "1.9999 s"), (61_000_100_000, "61.0001 s")],
)
def test_an_instant_is_cut_off_and_not_rounded(at_ns, expected):
    assert instant(at_ns) == expected


def blinking(*times_ms: int):
    return series(
        (0, 0.0), *((at * MS, float(index % 2 == 0)) for index, at in enumerate(times_ms))
    )


def test_flashing_is_one_entry_with_its_rate():
    output = blinking(*range(100, 3400, 330))
    assert spells(output, 3500 * MS) == [Entry(100 * MS, "flashing, 91 per minute")]


def test_flashing_that_ends_is_followed_by_what_the_load_then_does():
    output = blinking(*range(100, 2000, 330))
    assert spells(output, 9000 * MS) == [
        Entry(100 * MS, "flashing, 91 per minute"),
        Entry(1750 * MS, "off"),
    ]


def test_two_presses_of_a_pedal_are_no_flashing():
    output = blinking(100, 400, 700, 900)
    assert [entry.text for entry in spells(output, 2000 * MS)] == ["on", "off", "on", "off"]


def test_slow_switching_is_no_flashing():
    output = blinking(0 + 100, 400, 2600, 2900, 5200, 5500)
    assert [entry.text for entry in spells(output, 9000 * MS)] == ["on", "off"] * 3


def test_a_load_that_is_off_throughout_has_no_entry():
    assert spells(series((0, 0.0)), 1000 * MS) == []


def test_a_load_that_was_on_from_the_beginning_has_one():
    assert spells(series((0, 1.0)), 1000 * MS) == [Entry(0, "on")]
