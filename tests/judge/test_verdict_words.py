"""A verdict is values; its words are made of them in one place."""

from __future__ import annotations

import re
from pathlib import Path

import linkloss
from linkloss.judge.verdict import COLUMNS, Cause, Outcome, Verdict

SOURCES = Path(linkloss.__file__).parent


def wrong(cause: Cause, wrong_for_ns: int | None = 250_000_000, **more) -> Verdict:
    values = {"observed": "on", "allowed": "off", "about": ("a", "b", "c"), "culprit": "dash"}
    return Verdict("rear", "rule", Outcome.BROKEN, None, 5, wrong_for_ns, cause, **values | more)


def test_every_cause_is_told_by_somebody_and_in_words_of_its_own():
    told = "\n".join(path.read_text(encoding="utf-8") for path in SOURCES.rglob("*.py"))
    for cause in Cause:
        assert re.search(rf"Cause\.{cause.name}\b", told), cause
    assert len({wrong(cause).text for cause in Cause}) == len(Cause)


def test_a_row_holds_all_of_a_verdict():
    for cause in (*Cause, None):
        verdict = wrong(cause, more=2)
        row = verdict.row()
        assert len(row) == len(COLUMNS)
        assert row[COLUMNS.index("text")] == verdict.text
        assert Verdict.from_row(row) == verdict


def test_the_tail_says_for_how_long_unless_it_was_an_instant():
    assert wrong(Cause.OTHER_STATE).text == "was on instead of off; wrong for 250 ms"
    assert wrong(Cause.OTHER_STATE).deed == "was on instead of off"
    assert wrong(Cause.OTHER_STATE, 0).text == "was on instead of off"


def test_more_of_the_kind_are_counted():
    assert wrong(Cause.UNCAUSED, more=1).deed.endswith("right: off (1 more such change)")
    assert wrong(Cause.UNCAUSED, more=2).deed.endswith("right: off (2 more such changes)")
    frames = wrong(Cause.FOREIGN, more=3, about=("Lamps", "dash", "2"))
    assert frames.text.endswith("Lamps, which dash sends; 3 more such frames of 2 identifiers")
    frames = wrong(Cause.UNDEFINED, more=1, about=("1",))
    assert frames.text.endswith("the message definition has; 1 more such frame")
    assert wrong(Cause.FOREIGN, about=("Lamps", "dash", "1")).text.endswith("which dash sends")


def test_a_deed_that_has_a_subject_of_its_own_does_not_continue_another():
    assert wrong(Cause.OTHER_STATE).continues_its_subject
    assert not wrong(Cause.NOT_RESTARTED).continues_its_subject
    assert wrong(Cause.TOLD, observed="was not heard").continues_its_subject
    assert not wrong(Cause.TOLD, observed="its process ended").continues_its_subject
