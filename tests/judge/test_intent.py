"""When inputs ask for something, as spans."""

from __future__ import annotations

from linkloss.judge.intent import _spans
from linkloss.recording import Series


def test_a_span_that_lasts_past_the_end_keeps_its_own_end():
    asked: Series[bool] = Series()
    for at_ns, value in ((0, False), (10, True), (30, False), (50, True)):
        asked.set(at_ns, value)
    assert _spans(asked, 70) == [(10, 30), (50, 70)]
    assert _spans(asked, 40) == [(10, 30)]
    assert _spans(asked, 20) == [(10, 30)]
    assert _spans(Series(), 20) == []
