"""What a load shows of what its node commands: steps, means of a fast switching, fades.

command   _|~|_|~|_|~|____      pwm: edges less than 1.5 periods apart are one stretch, its
shown     ___30 %____|____      level the mean of each period, its change the first edge
command   ___,,--~~~~~~~~~      ramp: the change is the first step, where it goes the level
shown     ___|~~~~~~~~~~~~      that is reached, in one direction and by the end of the ramp
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence

from linkloss.judge.states import Shown, Towards, seen
from linkloss.model.load import LoadTable
from linkloss.recording import Series

Change = tuple[int, float]


def _at_once(begin_ns: int, lasts_ns: int) -> int:
    return begin_ns + lasts_ns


def _instant(change: Change) -> int:
    return change[0]


def shown_changes(
    command: Series[float],
    load: LoadTable,
    end_ns: int,
    over: Callable[[int, int], int] = _at_once,
) -> list[tuple[int, Shown]]:
    """The changes of a commanded level from 0 to 1 as what the load shows, in percent, up to the
    end of the recording; one without levels shows that it is off, on or something between.
    ``over(instant, lasts)``: by when a fade is over that begins then and lasts for so long, in ns.
    """
    changes: Sequence[Change] = command.changes()
    if load.pwm is not None:
        changes = _averaged(changes, round(1e9 / load.pwm))
    if load.ramp_up or load.ramp_down:
        return _once(_ramped(changes, load, end_ns, over))
    return _once((at_ns, _shown(level, load)) for at_ns, level in changes)


def _shown(level: float, load: LoadTable) -> Shown:
    return seen(level) if load.level is None else 100.0 * level


def _once(changes: Iterable[tuple[int, Shown]]) -> list[tuple[int, Shown]]:
    """Without those that change nothing; the last of several at one instant counts."""
    found: list[tuple[int, Shown]] = []
    for at_ns, shown in changes:
        if found and found[-1][0] == at_ns:
            found.pop()
        if not found or found[-1][1] != shown:
            found.append((at_ns, shown))
    return found


def _averaged(changes: Sequence[Change], period_ns: int) -> list[Change]:
    """With the means of whole periods where a level is made by fast switching."""
    found: list[Change] = []
    place = 0
    while place < len(changes):
        last = place
        while (
            last + 1 < len(changes)
            and 2 * (changes[last + 1][0] - changes[last][0]) < 3 * period_ns
        ):
            last += 1
        if last - place < 2:
            found.append(changes[place])
            place += 1
            continue
        from_ns, to_ns = changes[place][0], changes[last][0]
        while from_ns + period_ns <= to_ns:
            found.append((from_ns, _mean(changes, from_ns, from_ns + period_ns)))
            from_ns += period_ns
        found.append(changes[last])
        place = last + 1
    return found


def _mean(changes: Sequence[Change], from_ns: int, to_ns: int) -> float:
    """The mean level of [from_ns, to_ns), which begins no sooner than the changes."""
    first = bisect_right(changes, from_ns, key=_instant) - 1
    there = changes[first : bisect_left(changes, to_ns, lo=first, key=_instant)]
    ends = [*(at_ns for at_ns, _ in there[1:]), to_ns]
    area = sum(
        level * (end_ns - max(at_ns, from_ns))
        for (at_ns, level), end_ns in zip(there, ends, strict=True)
    )
    return area / (to_ns - from_ns)


def _ramped(
    changes: Sequence[Change], load: LoadTable, end_ns: int, over: Callable[[int, int], int]
) -> Iterator[tuple[int, Shown]]:
    """A fade as one change to where it goes. One that other news turns, or the end of the
    recording cuts off, goes somewhere beyond what it has reached; one that is not over by when
    it has to be is where it is.
    """
    if changes:
        yield changes[0][0], _shown(changes[0][1], load)
    place = 1
    while place < len(changes):
        before = changes[place - 1][1]
        up = changes[place][1] > before
        lasts_ns = (load.ramp_up if up else load.ramp_down) or 0
        begin_ns = changes[place][0]
        over_ns = over(begin_ns, lasts_ns) if lasts_ns else begin_ns
        last = place
        while (
            last + 1 < len(changes)
            and (changes[last + 1][1] > changes[last][1]) == up
            and changes[last + 1][0] <= over_ns
        ):
            last += 1
        reached = changes[last][1]
        if last + 1 < len(changes):
            next_ns, other_way = changes[last + 1][0], (changes[last + 1][1] > reached) != up
        else:
            next_ns, other_way = end_ns, True
        turned = other_way and next_ns < over_ns
        shown = _shown(reached, load)
        if turned and shown not in (0.0, 100.0):
            yield begin_ns, Towards(100.0 * reached, up=up)
        else:
            yield begin_ns, shown
        place = last + 1
