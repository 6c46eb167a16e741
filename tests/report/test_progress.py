"""Progress is for somebody who watches."""

from __future__ import annotations

import io

from linkloss.report.terminal import progress_of_check


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_nothing_is_written_when_the_stream_is_no_terminal():
    stream = io.StringIO()
    with progress_of_check(quiet=False, stream=stream) as report:
        assert report is None
    assert stream.getvalue() == ""


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
