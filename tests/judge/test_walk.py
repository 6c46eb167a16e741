"""The walk by itself: news by hand, instants of a few ns, and what it says of each change."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.judge.states import ANY, FLASH, OFF, ON
from linkloss.judge.walk import NEVER, Mark, News, Source, walk

OPEN = News(OFF, -1, -1, "before")


def either(calls):
    """On where any of the sources calls for it."""
    return ON if ON in calls else OFF


def only(calls):
    """What the one source calls for."""
    return calls[0]


def found(sources, *changes, combine=only, end=1000, **how):
    """(rule, from, to, unpaid) of each breach; changes as (instant, lit)."""
    shown = [(0, 0.0), *((at, 100.0 * lit) for at, lit in changes)]
    walked = walk(sources, combine, shown, end, **how)
    return [(b.rule, b.at_ns, b.to_ns, b.unpaid) for b in walked.breaches]


def rules_kept(sources, *changes, combine=only, end=1000, **how):
    """(rule, margin) of all that was put to the test."""
    shown = [(0, 0.0), *((at, 100.0 * lit) for at, lit in changes)]
    return [(k.rule, k.margin_ns) for k in walk(sources, combine, shown, end, **how).kept]


def source(*news, marks=()):
    """A source that called for off before anything happened."""
    return Source([OPEN, *(News(*entry) for entry in news)], list(marks))


ONE = source((ON, 100, 120, "ask"))


@pytest.mark.parametrize("at", [100, 110, 120])
def test_news_may_be_noted_from_its_first_to_its_last_instant(at):
    assert found([ONE], (at, 1)) == []


def test_before_its_first_instant_a_change_is_too_soon_and_told_by_the_news_to_come():
    assert found([ONE], (99, 1)) == [("ask", 99, 100, True)]


def test_behind_its_last_instant_news_was_missed():
    assert found([ONE], (121, 1)) == [("ask", 120, 121, False)]
    assert found([ONE]) == [("ask", 120, 1000, False)]


def test_one_news_pays_for_one_change():
    """The way back to off has no cause; on again is what is asked for still."""
    assert found([ONE], (105, 1), (110, 0), (112, 1)) == [("ask", 110, 112, True)]


def test_two_changes_for_two_news():
    two = source((ON, 100, 120, "ask"), (OFF, 110, 130, "release"))
    assert found([two], (105, 1), (125, 0)) == []
    assert found([two], (120, 1), (120, 0)) == []
    assert found([two]) == []
    assert found([two], (121, 1), (125, 0)) == [("release", 121, 125, True)]


def test_a_news_that_is_open_but_noted_already_makes_an_unsteady_change():
    two = source((ON, 100, 120, "ask"), (OFF, 110, 130, "release"))
    assert found([two], (105, 1), (111, 0), (115, 1), (116, 0)) == [("steady", 115, 116, True)]


def test_news_that_is_overtaken_may_be_left_out_and_one_that_is_not_may_not():
    """The second comes at the last instant of the first, or one later."""
    for second, wrong in ((120, []), (121, [("ask", 120, 121, False)])):
        two = source((ON, 100, 120, "ask"), (OFF, second, 140, "release"))
        assert found([two]) == wrong


def test_overtaken_news_leaves_its_deadline_to_the_last():
    row = source((ON, 100, 120, "first"), (ON, 110, 130, "second"), (ON, 125, 140, "third"))
    assert found([row], (140, 1)) == []
    assert found([row], (141, 1)) == [("third", 140, 141, False)]
    assert found([row], (100, 1)) == []


def test_news_that_need_not_be_noted_may_be():
    maybe = source((ON, 100, 120, "maybe", False))
    assert found([maybe]) == []
    assert found([maybe], (120, 1)) == []
    assert [breach[1:] for breach in found([maybe], (121, 1))] == [(121, 1000, True)]


def test_news_without_a_deadline_stays_open():
    late = source((ON, 100, NEVER, "some time", False))
    assert found([late], (999, 1)) == []
    assert found([late], (500, 1), (600, 0)) == [("some time", 600, 1000, True)]


def test_news_that_alters_nothing_costs_nothing_and_leaves_no_credit():
    idle = source((OFF, 100, 120, "again"), (OFF, 200, 220, "and again"))
    assert found([idle]) == []
    assert found([idle], (110, 1), (111, 0)) == [("again", 110, 111, True)]


def test_several_sources_are_noted_in_any_order_or_at_one_instant():
    """The one calls for on from 100 to 120 ns, the other for on up to 110 to 130 ns."""
    ends = source((ON, 10, 20, "other"), (OFF, 110, 130, "other ends"))
    for changes in ([], [(110, 0), (120, 1)], [(115, 0), (116, 1)], [(120, 0), (120, 1)]):
        assert found([ONE, ends], (15, 1), *changes, combine=either) == [], changes
    assert found([ONE, ends], (15, 1), (110, 0), (121, 1), combine=either) == [
        ("ask", 120, 121, False)
    ]
    assert found([ONE, ends], (15, 1), (109, 0), (110, 1), combine=either) != []
    twice = found([ONE, ends], (15, 1), (111, 0), (112, 1), (113, 0), (114, 1), combine=either)
    assert [(at, to) for _, at, to, _ in twice] == [(113, 114)]


def test_a_new_source_is_needed_for_each_way_the_state_was_reached():
    """Lit by either of two: only when both have ended must it be dark."""
    first = source((ON, 100, 120, "first"), (OFF, 300, 320, "first ends"))
    second = source((ON, 110, 130, "second"), (OFF, 200, 220, "second ends"))
    assert found([first, second], (100, 1), (320, 0), combine=either) == []
    assert found([first, second], (100, 1), (210, 0), combine=either)[0][1] == 210
    assert found([first, second], (100, 1), (321, 0), combine=either) == [
        ("first ends", 320, 321, False)
    ]


def test_after_a_break_the_walk_goes_on_from_the_last_news():
    later = source((ON, 100, 120, "ask"), (OFF, 500, 520, "release"))
    assert found([later], (50, 1), (60, 0), (110, 1), (300, 0), (301, 1), (510, 0)) == [
        ("ask", 50, 60, True),
        ("release", 300, 301, True),
    ]


def test_without_any_news_to_come_the_last_one_tells():
    assert found([ONE], (110, 1), (700, 0)) == [("ask", 700, 1000, True)]


def test_a_mark_tells_where_no_news_begins():
    held = source((ON, 100, 120, "ask"), marks=[Mark(500, "hold", 0.0)])
    assert found([held], (110, 1), (499, 0)) == [("ask", 499, 1000, True)]
    assert found([held], (110, 1), (500, 0)) == [("hold", 500, 1000, True)]
    assert ("hold", None) in rules_kept([held], (110, 1))
    assert ("hold", None) not in rules_kept([held], (110, 1), end=500)


def test_a_mark_that_forbids_what_is_right_puts_nothing_to_the_test():
    held = source((ON, 100, 120, "ask"), (OFF, 490, 510, "release"), marks=[Mark(500, "hold", 0.0)])
    assert ("hold", None) not in rules_kept([held], (110, 1), (505, 0))


@pytest.mark.parametrize(("at", "left"), [(100, 20), (119, 1), (120, 0)])
def test_a_rule_is_kept_with_the_time_that_was_left(at, left):
    assert ("ask", left) in rules_kept([ONE], (at, 1))


def test_a_rule_whose_deadline_is_the_end_was_not_put_to_the_test():
    assert ("ask", 10) not in rules_kept([ONE], (110, 1), end=120)
    assert ("ask", 10) in rules_kept([ONE], (110, 1), end=121)


def test_news_that_need_not_change_anything_is_not_put_to_the_test():
    idle = source((OFF, 100, 120, "again"))
    overtaken = source((ON, 100, 120, "ask"), (OFF, 110, 130, "release"))
    assert "again" not in {rule for rule, _ in rules_kept([idle], (110, 1), (111, 0))}
    assert "ask" not in {rule for rule, _ in rules_kept([overtaken], (105, 1), (115, 0))}


def test_what_broke_is_not_kept():
    assert "ask" not in {rule for rule, _ in rules_kept([ONE], (105, 1), (110, 0), (115, 1))}


def test_what_happens_before_the_start_is_not_judged():
    assert found([ONE], (50, 1), (60, 0), (110, 1), start_ns=100) == []
    assert "ask" not in {rule for rule, _ in rules_kept([ONE], (110, 1), start_ns=101)}
    assert found([ONE], (50, 1), (110, 0), start_ns=100)[0][0] == "ask"


def test_anything_is_right_where_nothing_is_asked():
    free = source((ANY, 100, 100, "free"), (OFF, 200, 200, "over"))
    chatter = [(at, at % 2) for at in range(101, 200)]
    assert found([free], *chatter, (200, 0)) == []
    assert found([free], *chatter) == [("over", 200, 1000, False)]


def test_edges_are_free_while_the_subject_has_to_flash():
    flash = source((FLASH, 100, 120, "blink"), (OFF, 500, 520, "release"))
    edges = [(at, at // 10 % 2) for at in range(110, 500, 10)]
    assert found([flash], *edges, (515, 0)) == []
    assert found([flash], *edges, (515, 0), (530, 1), (531, 0)) == [("release", 530, 531, True)]


def test_news_from_before_power_up_counts():
    """A program that debounces may have seen an input before it could act on it."""
    early = source((ON, -15, 20, "ask"))
    assert found([early], (10, 1)) == []
    assert found([early]) == [("ask", 20, 1000, False)]


NEWS = st.lists(
    st.tuples(st.sampled_from([OFF, ON]), st.integers(0, 90), st.integers(0, 40), st.booleans()),
    max_size=6,
)


def made(entries):
    return source(*((calls, at, at + long, "ask", must) for calls, at, long, must in entries))


@given(st.lists(NEWS, min_size=1, max_size=2), st.sets(st.integers(0, 100)), st.integers(0, 60))
def test_a_walk_that_goes_on_where_another_stood_tells_the_same(news, moved, stood_ns):
    """Also over news that lacks what was over by then."""
    sources = [made(entries) for entries in news]
    shown = [(at, 100.0 * (place % 2)) for place, at in enumerate(sorted({0, *moved}))]
    start_ns = stood_ns + 5
    whole = walk(sources, either, shown, 120, start_ns, stand_ns=stood_ns)
    start = whole.stand.found_in(sources)
    again = walk(sources, either, shown, 120, start_ns, start=start)
    assert (again.breaches, again.segments) == (whole.breaches, whole.segments)
    assert again.kept == whole.kept
    start = whole.stand.found_in([*map(without_the_oldest, sources, whole.stand.told)])
    if start is not None:
        others = [*map(without_the_oldest, sources, whole.stand.told)]
        again = walk(others, either, shown, 120, start_ns, start=start)
        assert [breach.at_ns for breach in again.breaches] == [b.at_ns for b in whole.breaches]
        assert states_of(again.segments) == states_of(whole.segments)


def without_the_oldest(source, told):
    """Only what it called for is left of the oldest item that a walk spoke of, and of those before
    it.
    """
    oldest = min(told)
    return Source([News(source.news[oldest].calls, -1, -1, "ask"), *source.news[oldest + 1 :]])


def states_of(segments):
    found = []
    for part in segments:
        if not found or found[-1][1] != part.states:
            found.append((part.from_ns, part.states))
    return found


def test_a_walk_goes_on_only_over_news_that_tells_the_same():
    """Of the time before; what comes later may be anything."""
    shown = [(0, 0.0), (110, 100.0)]
    stand = walk([ONE], only, shown, 1000, 300, stand_ns=200).stand
    assert stand.found_in([source((ON, 100, 120, "ask"), (OFF, 400, 420, "ask"))]) is not None
    assert stand.found_in([source()]) is None
    assert stand.found_in([source((ON, 100, 120, "ask"), (OFF, 190, 199, "ask"))]) is None
    assert stand.found_in([source((ON, 150, 160, "ask"))]) is not None  # it has called for on since
