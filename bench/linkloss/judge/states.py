"""What a load can be asked for, what it can be seen to do, and which of these go together.

A state is ``off``, ``on``, ``flash``, a level in percent (a float), or ``any`` where nothing is
asked. What a load shows is always a level in percent, 0 to 100.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from math import isnan
from typing import Self

from linkloss.model.load import BARELY_LIT_PERCENT
from linkloss.recording import Series

State = str | float
Shown = float


class Towards(float):
    """A level, in percent, that was reached on the way to one beyond it, up or down."""

    def __new__(cls, reached: float, *, up: bool) -> Self:
        made = super().__new__(cls, reached)
        made.up = up
        return made

    up: bool


OFF, ON, FLASH, ANY = "off", "on", "flash", "any"
_LEVELS = {OFF: 0.0, ON: 100.0}
ON_FROM = 90.0
"""A load without levels counts as on from here on, in percent."""


def admits(state: State, shown: Shown) -> bool:
    """Whether a load that shows a level, in percent, is in a state.

    A level is right within the larger of a tenth of it and 2 points. A flashing load is lit and
    dark in turn. What is not a number is in no state.
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
    """Whether a subject that goes on flashing could be in a state."""
    del shown
    return state in (FLASH, ANY)


def stays_dark(state: State, shown: Shown) -> bool:
    """Whether a subject that does not begin to flash could be in a state."""
    return state != FLASH and admits(state, shown)


def level_state(percent: float) -> State:
    """The state that a level in percent asks for."""
    return OFF if percent <= BARELY_LIT_PERCENT else percent


def seen(level: float) -> Shown:
    """What a load without levels shows at a level from 0 to 1, in percent: on is on."""
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


def levels(
    series: Series[float], end_ns: int, from_ns: int | None = None
) -> list[tuple[int, int, float]]:
    """A level as stretches (from, to, level) up to the end; none before its first level. With
    ``from_ns`` only those that end behind that instant.
    """
    times, values = series.times, series.values
    high = bisect_left(times, end_ns)
    low = 0 if from_ns is None else max(0, bisect_right(times, from_ns) - 1)
    if low >= high:
        return []
    return list(
        zip(times[low:high], [*times[low + 1 : high], end_ns], values[low:high], strict=True)
    )


def at(changes: Sequence[tuple[int, Shown]], at_ns: int) -> Shown:
    """What is shown at an instant, out of changes in order; off before the first."""
    place = bisect_right(changes, at_ns, key=lambda change: change[0])
    return changes[place - 1][1] if place else 0.0


def moved_between(changes: Sequence[tuple[int, Shown]], from_ns: int, to_ns: int) -> int | None:
    """The last change within [from, to], out of changes in order."""
    place = bisect_right(changes, to_ns, key=lambda change: change[0])
    if place and changes[place - 1][0] >= from_ns:
        return changes[place - 1][0]
    return None


def seen_flashing(
    changes: Sequence[tuple[int, Shown]], at_ns: int, due_ns: int, longest_ns: int, state: State
) -> int:
    """When a subject that goes on flashing, in the rhythm that it had before ``at_ns``, would be
    found from ``due_ns`` on not to be in another state; ``longest_ns`` behind that where it had no
    rhythm yet.
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
    if admits(state, 100.0):  # then its dark phase shows
        return due_ns if phase_ns >= lit_ns else due_ns + lit_ns - phase_ns
    return due_ns if phase_ns < lit_ns else due_ns + period_ns - phase_ns
