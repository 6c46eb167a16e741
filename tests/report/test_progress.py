"""Progress is for somebody who watches."""

from __future__ import annotations

import io

from report_values import broken, case

from linkloss.report import terminal
from linkloss.report.terminal import progress_of_check


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


class Clock:
    """Real time that a test sets, in s."""

    def __init__(self, monkeypatch) -> None:
        self.now_s = 100.0
        monkeypatch.setattr(terminal, "monotonic_seconds", lambda: self.now_s)


def test_without_a_terminal_a_line_comes_every_ten_seconds(monkeypatch):
    clock, stream = Clock(monkeypatch), io.StringIO()
    with progress_of_check(quiet=False, stream=stream) as report:
        for done in range(1, 31):
            clock.now_s += 1
            report(done, 90)
    assert stream.getvalue().splitlines() == [
        "linkloss: checking: 10 of 90 cases, about 80 s left",
        "linkloss: checking: 20 of 90 cases, about 70 s left",
        "linkloss: checking: 30 of 90 cases, about 60 s left",
    ]


def test_what_breaks_is_told_at_once_and_each_rule_once():
    stream = io.StringIO()
    with progress_of_check(quiet=False, stream=stream) as report:
        for _ in range(2):
            report.tell(case("cut", broken("rear\x1b[2J", "program", "X")))
    assert stream.getvalue() == ("broken: rear?[2J, rule program, in night/cut(dash,rear)@500ms\n")


def test_nothing_is_written_when_quiet():
    stream = Terminal()
    with progress_of_check(quiet=True, stream=stream) as report:
        assert report is None
    assert stream.getvalue() == ""


def test_a_terminal_shows_how_many_cases_are_done(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    with progress_of_check(quiet=False, stream=stream) as report:
        assert report is not None
        report(3, 40)
    assert "3/40" in stream.getvalue()
