"""In which turn the cases of a check run: what shows most mistakes comes early.

    undisturbed   every situation without a fault, the shortest first
    in turn       one case of each kind of fault, then the next of each; within a kind each node or
                  message in turn
    long cases    once two thirds of the others have had their turn: they hold up none that shows
                  most, and no process waits for them at the end

Which cases run, and the order of a report, do not depend on it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import TypeVar

from linkloss.campaign.cases import AGAIN
from linkloss.campaign.isolation import beginning
from linkloss.campaign.rotation import key_of
from linkloss.scenario import Scenario

TELLING: tuple[str, ...] = ()
"""Kinds of faults, the one that shows most mistakes of programs first: measured with
``tests/wrong/how_soon.py``. Kinds that are not named come behind these.
"""
LONG_NS = 60_000_000_000
"""From this length on, in ns, a case counts as long."""

Item = TypeVar("Item")


def turns(cases: Sequence[Scenario]) -> list[int]:
    """The places of cases in the order in which they run.

    Cases that stand together and have a long beginning in common stay together.
    """
    groups = [list(group) for _, group in groupby(range(len(cases)), lambda n: _common(cases, n))]
    plain: list[list[int]] = []
    long: list[list[int]] = []
    kinds: dict[str, dict[str, list[list[int]]]] = {}
    for places in groups:
        case = cases[places[0]]
        if case.lasts_ns >= LONG_NS:
            long.append(places)
        elif not case.faults:
            plain.append(places)
        else:
            subject = key_of(case.faults[0].fault).subject
            kinds.setdefault(case.kinds, {}).setdefault(subject, []).append(places)
    plain.sort(key=lambda places: cases[places[0]].lasts_ns)
    order = sorted(kinds, key=_rank)
    each = [list(in_turn(_by_news(cases, own) for own in kinds[kind].values())) for kind in order]
    found = [*plain, *in_turn(each)]
    later = len(found) * 2 // 3
    return [place for places in (*found[:later], *long, *found[later:]) for place in places]


def _common(cases: Sequence[Scenario], place: int) -> object:
    """What cases share that stay together: a long beginning; else nothing."""
    return beginning(cases[place]) or place


def _rank(kinds: str) -> tuple[int, int]:
    """Where cases of some kinds stand among the others: as the more telling one of two kinds does,
    behind all that have it alone.
    """
    known = [TELLING.index(kind) for kind in kinds.split("+") if kind in TELLING]
    return (min(known, default=len(TELLING)), kinds.count("+"))


def _by_news(cases: Sequence[Scenario], groups: Sequence[list[int]]) -> list[list[int]]:
    """Groups of one kind at one node or message: first those in which everything is asked for
    again, then the shorter ones.
    """

    def key(places: list[int]) -> tuple[bool, int]:
        case = cases[places[0]]
        return AGAIN not in case.name.split("/"), case.lasts_ns

    return sorted(groups, key=key)


def in_turn(lists: Iterable[Sequence[Item]]) -> Iterator[Item]:
    """The first item of each list, then the second of each, and so on."""
    every = list(lists)
    for number in range(max(map(len, every), default=0)):
        yield from (items[number] for items in every if number < len(items))
