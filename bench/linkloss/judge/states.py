"""States of a load: what it can be asked for, what it can show, and what is allowed over time.

A state is ``off``, ``on``, ``flash``, a level in percent (a float), or ``any`` where nothing is
asked. What a load shows is always a level in percent, 0 to 100.

*End to end* is judged by spans that overlap: what the inputs ask for, what is still on its way,
what other rules allow. The states allowed at an instant are the union of all spans there:

    spans     ====on====                the inputs asked for "on"
                    ====off=====        the message may be stale
    allowed   on    on|off  off
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from math import isnan
from typing import NamedTuple, Self

from linkloss.vehicle.load import BARELY_LIT_PERCENT

State = str | float
Shown = float


class Towards(float):
    """A level in percent that was reached on the way to a level beyond it, up or down."""

    def __new__(cls, reached: float, *, up: bool) -> Self:
        made = super().__new__(cls, reached)
        made.up = up
        return made

    up: bool


OFF, ON, FLASH, ANY = "off", "on", "flash", "any"
_LEVELS = {OFF: 0.0, ON: 100.0}
ON_FROM = 90.0
"""A load without levels counts as on from this level up, in percent."""


def admits(state: State, shown: Shown) -> bool:
    """Whether a load that shows a level, in percent, is in a state.

    A level is right within the larger of 10 % of it and 2 points. A flashing load is lit and dark
    in turn. NaN is in no state.
    """
    if state == ANY:
        return True
    if isinstance(shown, Towards):
        level = _LEVELS.get(state, 50.0) if isinstance(state, str) else state
        return level >= shown if shown.up else level <= shown
    if state == OFF:
        return shown <= 0
    if state == ON:
        return shown >= ON_FROM
    if state == FLASH:
        return shown <= 0 or shown >= ON_FROM
    assert isinstance(state, float)
    return abs(shown - state) <= max(state / 10, 2.0)


def goes_on_flashing(state: State, shown: Shown) -> bool:
    """Whether a state is right for a subject that keeps flashing."""
    del shown
    return state in (FLASH, ANY)


def stays_dark(state: State, shown: Shown) -> bool:
    """Whether a state is right for a subject that does not begin to flash."""
    return state != FLASH and admits(state, shown)


def level_state(percent: float) -> State:
    """The state that a level in percent asks for."""
    return OFF if percent <= BARELY_LIT_PERCENT else percent


def seen(level: float) -> Shown:
    """What a load without levels shows at a level from 0 to 1, in percent: 100 wherever it counts
    as on.
    """
    if isnan(level):
        return level
    if level <= 0:
        return 0.0
    return 100.0 if level * 100 >= ON_FROM else 100.0 * level


def shown_word(shown: Shown) -> str:
    """What a load shows, in a word or two."""
    if isnan(shown):
        return "at no level that is a number"
    if shown <= 0:
        return OFF
    return ON if shown >= ON_FROM else f"dim at {shown:.0f} %"


def state_words(states: Iterable[State]) -> str:
    """Several states: ``on``, ``off or flash``, ``30 %``."""
    words = {f"{state:.0f} %" if isinstance(state, float) else state for state in states}
    return " or ".join(sorted(words, key=lambda word: (_ORDER.get(word, 3), word))) or "nothing"


_ORDER = {OFF: 0, ON: 1, FLASH: 2}


def at(changes: Sequence[tuple[int, Shown]], at_ns: int) -> Shown:
    """What is shown at an instant; off before the first of the changes, which are in order."""
    place = bisect_right(changes, at_ns, key=lambda change: change[0])
    return changes[place - 1][1] if place else 0.0


def moved_between(changes: Sequence[tuple[int, Shown]], from_ns: int, to_ns: int) -> int | None:
    """The instant of the last change in [from, to]; the changes are in order."""
    place = bisect_right(changes, to_ns, key=lambda change: change[0])
    if place and changes[place - 1][0] >= from_ns:
        return changes[place - 1][0]
    return None


def seen_flashing(
    changes: Sequence[tuple[int, Shown]], at_ns: int, due_ns: int, longest_ns: int, state: State
) -> int:
    """When a subject that keeps flashing, in the rhythm it had before ``at_ns``, would from
    ``due_ns`` on be seen not to be in ``state``; ``due_ns + longest_ns`` if it had no rhythm yet.
    """
    high = bisect_left(changes, at_ns, key=lambda change: change[0])
    rises = [
        place
        for place in range(max(1, high - 4), high)
        if changes[place - 1][1] <= 0 < changes[place][1]
    ]
    if len(rises) < 2:
        return due_ns + longest_ns
    (began_ns, _), (fell_ns, _) = changes[rises[-2]], changes[rises[-2] + 1]
    last_ns = changes[rises[-1]][0]
    period_ns, lit_ns = last_ns - began_ns, fell_ns - began_ns
    phase_ns = (due_ns - last_ns) % period_ns
    if admits(state, 100.0):  # its dark phase shows
        return due_ns if phase_ns >= lit_ns else due_ns + lit_ns - phase_ns
    return due_ns if phase_ns < lit_ns else due_ns + period_ns - phase_ns


class Span(NamedTuple):
    """A state that is allowed in [from_ns, to_ns)."""

    from_ns: int
    to_ns: int
    state: State


class Stretch(NamedTuple):
    """All states that are allowed in [from_ns, to_ns)."""

    from_ns: int
    to_ns: int
    states: frozenset[State]


class Wrong(NamedTuple):
    """A stretch in which none of the allowed states was shown."""

    from_ns: int
    to_ns: int
    shown: Shown
    states: frozenset[State]


def united(
    spans: Iterable[Span],
    end_ns: int,
    start_ns: int = 0,
    adjust: Callable[[int, set[State]], set[State]] | None = None,
    edges: Iterable[int] = (),
) -> list[Stretch]:
    """The stretches of [start_ns, end_ns) that the spans make. ``adjust(instant, states)`` may
    change what is allowed; its result only changes at the ``edges``.
    """
    there = sorted(span for span in spans if span.to_ns > start_ns and span.from_ns < span.to_ns)
    instants = {start_ns, end_ns, *(edge for edge in edges if start_ns < edge < end_ns)}
    for span in there:
        instants.update((max(start_ns, span.from_ns), min(end_ns, span.to_ns)))
    active: list[Span] = []
    found: list[Stretch] = []
    index = 0
    for from_ns, to_ns in pairwise(sorted(at for at in instants if at <= end_ns)):
        while index < len(there) and there[index].from_ns <= from_ns:
            active.append(there[index])
            index += 1
        active = [span for span in active if span.to_ns > from_ns]
        states = {span.state for span in active}
        if adjust is not None:
            states = adjust(from_ns, states)
        if found and found[-1].states == states:
            found[-1] = found[-1]._replace(to_ns=to_ns)
        else:
            found.append(Stretch(from_ns, to_ns, frozenset(states)))
    return found


def wrong(stretches: Sequence[Stretch], changes: Sequence[tuple[int, Shown]]) -> list[Wrong]:
    """Where what was shown was not allowed; stretches that touch are joined. A stretch without
    states allows everything.
    """
    found: list[Wrong] = []
    if not stretches:
        return found
    end_ns = stretches[-1].to_ns
    place = 0
    for (from_ns, shown), (to_ns, _) in pairwise([*changes, (end_ns, 0.0)]):
        while place < len(stretches) and stretches[place].to_ns <= from_ns:
            place += 1
        for stretch in stretches[place:]:
            if stretch.from_ns >= to_ns:
                break
            if not stretch.states or any(admits(state, shown) for state in stretch.states):
                continue
            start, end = max(from_ns, stretch.from_ns), min(to_ns, stretch.to_ns)
            if found and found[-1].to_ns == start:
                found[-1] = found[-1]._replace(to_ns=end)
            else:
                found.append(Wrong(start, end, shown, stretch.states))
    return found
