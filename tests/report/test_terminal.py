"""A check on the screen."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from report_values import broken, case, every_fault_report, kept, mixed_report, report

from linkloss.campaign.result import CAUTION
from linkloss.campaign.store import Change, Changes, Standing
from linkloss.judge import Outcome
from linkloss.judge.verdict import Cause
from linkloss.report.findings import found_causes
from linkloss.report.screen import make_console
from linkloss.report.terminal import show_changes, show_check
from linkloss.report.totals import Column, blocks, cell_text, folded
from linkloss.report.words import count, why_no_time
from linkloss.vehicle.load import FlashRule


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def shown(found, width=80, *, stream=None, **options) -> str:
    stream = io.StringIO() if stream is None else stream
    show_check(make_console(stream, width), found, **options)
    return stream.getvalue()


def lines(text: str) -> list[str]:
    return [line.rstrip() for line in text.splitlines()]


FIRST = [
    "Tiny (car/vehicle.toml)",
    "2 of 7 rules broken, by 2 causes.",
    "1. node dash: the program failed at dash.py:7: KeyError: 'lights', 200 ms after",
    "   the cable between dash and rear was cut; rule: program",
    "   situation night",
    "   linkloss check car/vehicle.toml --case 'night/cut(dash,rear)@500ms'",
    "2. tail_lamp went dark 312 ms after the cable between dash and rear was cut;",
    "   rule: stale (hold); wrong for 4.7 s",
    "   situation night",
    "   linkloss check car/vehicle.toml --case 'night/cut(dash,rear)@500ms'",
]
LAST = [
    "2 cases, 12 s simulated, seed 0; rules: 4 kept, 2 broken, 1 not exercised",
    "A bench result is not an approval. Local rules and licensed practice decide what",
    "may go on the road. Test the real car standing still, wheels chocked, clear of",
    "moving parts.",
]


def test_a_check_shows_the_verdict_then_causes_then_what_is_folded():
    assert lines(shown(mixed_report(), 80)) == [
        *FIRST,
        "Not exercised: 1 rule: buzzer then",
        *LAST,
    ]


def test_the_table_is_there_for_whoever_asks():
    assert lines(shown(mixed_report(), 80, table=True)) == [
        *FIRST,
        "",
        "Loads",
        "           none       cut",
        "tail_lamp  ok 12.5ms  BAD -4.7s",
        "buzzer     -          -",
        "",
        "Requests",
        "                      none  cut",
        "LampRequest.Position  -     ok 69ms",
        "",
        "Notices",
        "           none  cut",
        "rear_lost  -     ok",
        "",
        "Nodes",
        "      none  cut",
        "rear  -     ok 998ms",
        "dash  -     BAD",
        "",
        "ok 312ms   kept, with the smallest margin",
        "BAD -4.7s  broken, and by how much",
        "-          not exercised: no case put a rule to the test",
        "Not exercised: 1 rule: buzzer then",
        *LAST,
    ]


def broken_report(causes, rules=4):
    """A check with so many causes, each at a node of its own, which broke so many rules."""
    found = [
        broken(f"lamp_{cause}_{rule}", "stale", "went dark", at_ms=812, culprit=f"n{cause}")
        for cause in range(causes)
        for rule in range(rules)
    ]
    untested = tuple((f"load_{number}", "then") for number in range(30))
    return report(case("cut", *found), declared=untested)


@pytest.mark.parametrize(("causes", "most"), [(1, 12), (6, 40)])
def test_what_broke_fits_the_screen(causes, most):
    text = lines(shown(broken_report(causes), 80))
    assert len(text) <= most
    assert all(len(line) <= 80 for line in text)
    assert (
        text[1] == f"{4 * causes} of {4 * causes + 30} rules broken, by {count(causes, 'cause')}."
    )
    assert sum("; 3 more: lamp_" in line for line in text) == causes
    (untested,) = [line for line in text if line.startswith("Not exercised: 30 rules: load_0 then")]
    assert untested.endswith(", ...")


def test_a_program_that_ended_comes_first_then_what_needs_no_fault_then_what_breaks_most():
    crash = replace(broken("rear", "program", "X"), cause=Cause.CRASHED, about=("a.py:1",))
    found = report(
        case("cut", *(broken(f"lamp_{n}", "stale", "x", culprit="front") for n in range(3))),
        case("reset", broken("fan", "reset", "x", culprit="dash")),
        case("none", broken("horn", "fresh", "x", culprit="dash")),
        case("hang", crash),
    )
    order = [cause.findings[0].verdict.subject for cause in found_causes(found)]
    assert order == ["rear", "horn", "lamp_0", "fan"]


@pytest.mark.parametrize("width", [60, 80, 120, 160])
def test_nothing_but_a_command_is_wider_than_the_screen(width):
    for line in lines(shown(every_fault_report(), width, verbose=True)):
        assert len(line) <= width or "linkloss check" in line or "--case" in line


@pytest.mark.parametrize("width", [80, 160])
def test_every_cell_of_the_table_is_there_at_any_width(width):
    found = every_fault_report()
    text = shown(found, width, table=True)
    assert text.count("ok 100ms") == 5 * len(found.faults)
    assert text.count("BAD -778ms") == len(found.faults)


def test_a_wide_screen_takes_fewer_blocks():
    narrow, wide = (
        len(lines(shown(every_fault_report(), width, table=True))) for width in (80, 160)
    )
    assert wide < narrow


def test_a_screen_is_never_wider_than_160_columns():
    assert make_console(io.StringIO(), 400).width == 160


def test_a_terminal_gets_colours_and_no_color_takes_every_escape_code_away(monkeypatch):
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert "\x1b[" in shown(mixed_report(), stream=Terminal())
    monkeypatch.setenv("NO_COLOR", "1")
    assert "\x1b" not in shown(mixed_report(), stream=Terminal())


def test_a_file_gets_no_escape_codes_whatever_the_environment_forces(monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("FORCE_COLOR", "1")
    assert "\x1b" not in shown(mixed_report())


def test_the_marks_of_a_table_differ_without_colour():
    cells = mixed_report().cells
    marks = {
        cell_text(cells["tail_lamp", "none"]),
        cell_text(cells["tail_lamp", "cut"]),
        cell_text(cells["buzzer", "cut"]),
    }
    assert marks == {"ok 12.5ms", "BAD -4.7s", "-"}


@pytest.mark.parametrize("options", [{}, {"table": True}, {"verbose": True}])
def test_every_screen_carries_the_caution(options):
    for found in (mixed_report(), report(), report(case("none"))):
        assert CAUTION in " ".join(shown(found, **options).split())


def test_verbose_lists_every_rule_with_its_margin_and_case():
    text = shown(mixed_report(), 160, verbose=True)
    assert (
        "* tail_lamp: fresh (follows LampRequest.Position): kept, margin 8ms,"
        " in night/cut(dash,rear)@500ms\n" in text
    )
    assert "* buzzer: then (off after 1 s): not exercised\n" in text


def test_a_check_without_a_case_says_that_nothing_was_tested():
    text = shown(report(declared=(("tail_lamp", "fresh"),)))
    assert "No case was run: nothing was tested." in text
    assert "Every declared rule" not in text


def test_a_check_that_kept_everything_says_so():
    text = shown(report(case("none", kept("tail_lamp", "fresh", 3))))
    assert "Every declared rule was exercised and kept." in text
    assert "broken, by" not in text
    assert "Not exercised:" not in text


def test_a_command_that_fits_stands_on_one_line():
    wanted = "   linkloss check car/vehicle.toml --case 'night/cut(dash,rear)@500ms'"
    assert wanted in lines(shown(mixed_report(), 80))


def test_a_broken_command_is_one_command_for_the_shell():
    text = shown(mixed_report(), 60)
    start = text.index("linkloss check")
    command = text[start : text.index("@500ms'", start) + len("@500ms'")]
    joined = re.sub(r"\s*\\\n\s*", " ", command)
    assert joined == "linkloss check car/vehicle.toml --case 'night/cut(dash,rear)@500ms'"


def test_markup_and_other_characters_of_a_name_are_shown_as_they_are():
    entry = case("cut", kept("[bold]x[/bold]", "fresh", 1))
    assert "[bold]x[/bold]  ok 1ms" in shown(report(entry), table=True)


def test_what_a_program_says_cannot_steer_the_terminal():
    verdict = broken("rear", "program", "the program failed at a.py:1: X: \x1b[2J\x07", at_ms=700)
    text = shown(report(case("cut", verdict)))
    assert "\x1b" not in text
    assert "X: ?[2J?" in text


def test_columns_are_packed_into_blocks_in_order_and_none_is_lost():
    columns = [Column(f"k{number}", "k", 8) for number in range(7)]
    packed = blocks(columns, 30)
    assert [len(block) for block in packed] == [3, 3, 1]
    assert [column for block in packed for column in block] == columns


def test_a_column_wider_than_the_screen_still_gets_its_block():
    assert [len(block) for block in blocks([Column("a", "a", 90), Column("b", "b", 5)], 30)] == [
        1,
        1,
    ]


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("cut", "cut"),
        ("wrong_bit_rate", "wrong_bit_\nrate"),
        ("unplug+reset", "unplug+reset"),
        ("bounce+brown_out", "bounce+\nbrown_out"),
        ("extraordinarily", "extraordinarily"),
    ],
)
def test_a_long_kind_is_broken_where_its_words_meet(kind, expected):
    assert folded(kind, 12) == expected


def test_a_margin_that_reads_the_same_as_before_is_no_smaller_one():
    def fell(rule, before_ns, after_ns):
        before, after = (Standing(Outcome.KEPT, ns) for ns in (before_ns, after_ns))
        return Change("tail_lamp", rule, before, after)

    same = fell("fresh", 1_020_000_400, 1_020_000_300)
    less = fell("stale", 20_000_000, 12_500_000)
    stream = io.StringIO()
    show_changes(make_console(stream, 80), Changes((), (), (), (same, less), ()))
    assert lines(stream.getvalue())[-2:] == [
        "smaller margin: 1 rule",
        "* tail_lamp, stale: kept (20 ms), now kept (12.5 ms)",
    ]
    stream = io.StringIO()
    show_changes(make_console(stream, 80), Changes((), (), (), (same,), ()))
    assert lines(stream.getvalue())[-1] == "Nothing has changed."


def test_a_margin_of_nothing_says_why_it_is_harmless():
    vehicle = mixed_report().vehicle
    lamp = vehicle.loads["tail_lamp"]
    flashing = lamp.model_copy(update={"flash": FlashRule()})
    file = vehicle.file.model_copy(update={"loads": {"tail_lamp": lamp, "indicator": flashing}})
    car = replace(vehicle, file=file)
    assert why_no_time(car, "indicator", 0).startswith(" (harmless: it may finish its flash")
    assert why_no_time(car, "indicator", 1) == why_no_time(car, "tail_lamp", 0) == ""
