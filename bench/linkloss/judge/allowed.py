"""States that are allowed over time, put together from spans that overlap.

What is allowed at an instant is the union of all spans there: so *end to end* is judged, where
what the inputs ask for, what is late on its way and what other rules allow come together.

    spans     ====on====                the inputs asked for "on"
                    ====off=====        the message may be stale
    allowed   on    on|off  off
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from linkloss.judge.states import Shown, State, admits


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
    """A stretch in which none of the states that were allowed was shown."""

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
    change what is allowed; it is constant between ``edges``.
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
    """Where what was shown was not allowed; stretches that touch are one. Where nothing is said
    of what is allowed, anything is.
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
