"""In which turn the cases of a check run: what shows most mistakes comes early.

    broke last    where that is asked for
    undisturbed   every situation without a fault, the shortest first
    telling       one short case of each telling kind of fault at each node or message
    the others    one case of each kind, then the next of each; within a kind each node or message
                  in turn
    long cases    apart from each other, the first once a sixth of the others have had their turn:
                  they show much, and take as long as a hundred others

Where nodes are named, the faults at these nodes and their messages come before all others, and in
turn with the undisturbed situations. Which cases run, and the order of a report, do not depend on
any of this.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from itertools import groupby
from statistics import median
from typing import TypeVar

from linkloss.campaign.isolation import beginning
from linkloss.campaign.rotation import key_of
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle

TELLING = (
    "unplug", "reset", "bus_off", "alter", "corrupt", "hang", "stranger", "freeze", "brown_out",
    "drop", "unplug+reset",
)  # fmt: skip
"""Kinds of faults, the one that shows most mistakes of programs first, as far as they show only
with a fault: by the wrong nodes of the tests (``tests/wrong/how_soon.py``).
"""
LONG_NS = 60_000_000_000
"""From this length on, in ns, a case counts as long."""

Item = TypeVar("Item")
Places = list[int]
"""The places of cases that run together, since they have a long beginning in common."""


def turns(
    cases: Sequence[Scenario], again: Sequence[str] = (), near: Collection[str] = ()
) -> list[int]:
    """The places of cases in the order in which they run.

    :param again: names of cases that come before all others, in their order.
    :param near: nodes whose cases come before those of other nodes.
    """
    if not cases:
        return []
    groups = [list(group) for _, group in groupby(range(len(cases)), lambda n: _common(cases, n))]
    long = [places for places in groups if cases[places[0]].lasts_ns >= LONG_NS]
    usual = [places for places in groups if cases[places[0]].lasts_ns < LONG_NS]
    plain = [places for places in usual if not cases[places[0]].faults]
    plain.sort(key=lambda places: cases[places[0]].lasts_ns)
    short_ns = 2 * median([cases[places[0]].lasts_ns for places in plain] or [LONG_NS])
    faulty = [places for places in usual if cases[places[0]].faults]
    close = _telling_first(cases, [p for p in faulty if _is_near(cases[p[0]], near)], short_ns)
    first = [*in_turn([close[: len(plain)], plain]), *close[len(plain) :]]
    others = _telling_first(cases, faulty, short_ns)
    found = list({places[0]: places for places in (*first, *others)}.values())
    for number, places in enumerate(long):
        found.insert((1 + 2 * number) * len(usual) // 6 + number, places)
    ranks = {name: rank for rank, name in enumerate(again)}
    found.sort(key=lambda places: min(ranks.get(cases[n].name, len(ranks)) for n in places))
    return [place for places in found for place in places]


def _common(cases: Sequence[Scenario], place: int) -> object:
    """What cases share that stay together: a long beginning; else nothing."""
    return beginning(cases[place]) or place


def _telling_first(
    cases: Sequence[Scenario], groups: Sequence[Places], short_ns: float
) -> list[Places]:
    """Groups with faults: one short case of each telling kind at each subject, then the others."""
    kinds = _by_kind(cases, groups, short_ns)
    telling = in_turn(
        [own[0] for own in kinds[kind] if cases[own[0][0]].lasts_ns <= short_ns]
        for kind in kinds
        if kind in TELLING
    )
    others = in_turn(list(in_turn(kinds[kind])) for kind in kinds)
    return list({places[0]: places for places in (*telling, *others)}.values())


def _by_kind(
    cases: Sequence[Scenario], groups: Sequence[Places], short_ns: float
) -> dict[str, list[list[Places]]]:
    """Groups by the kind of fault, the most telling one first. Within a kind they stand by the node
    or message, that which reaches most loads first.
    """
    found: dict[str, dict[str, list[Places]]] = {}
    for places in groups:
        case = cases[places[0]]
        subject = key_of(case.faults[0].fault).subject
        found.setdefault(case.kinds, {}).setdefault(subject, []).append(places)
    reach = _reach(cases[0].vehicle)
    return {
        kind: [
            _by_news(cases, found[kind][subject], short_ns)
            for subject in sorted(found[kind], key=lambda name: -reach[name])
        ]
        for kind in sorted(found, key=_rank)
    }


def _reach(vehicle: Vehicle) -> Counter[str]:
    """How many loads each node and message reaches; those at a node count more than those that it
    asks for, which a mistake of another node can spoil as well.
    """
    reach: Counter[str] = Counter()
    for load in vehicle.loads.values():
        asking = load.request_messages
        reach.update(dict.fromkeys((load.node, *asking), 2))
        reach.update({sender for name in asking for sender in vehicle.messages[name].senders})
    return reach


def _rank(kinds: str) -> int:
    """Where cases of some kinds stand among the others; two that are not known together stand where
    the more telling one stands alone.
    """
    names = [kinds] if kinds in TELLING else kinds.split("+")
    return min([TELLING.index(kind) for kind in names if kind in TELLING], default=len(TELLING))


def _by_news(cases: Sequence[Scenario], groups: Sequence[Places], short_ns: float) -> list[Places]:
    """Groups of one kind at one node or message: first those whose fault lasts long enough to be
    noticed, of these the short ones, of these the plain ones, which have fewer parameters.
    """
    lasting = {places[0]: _fault_ns(cases[places[0]]) for places in groups}
    long_ns = max(lasting.values()) // 2

    def key(places: Places) -> tuple[bool, bool, int, int]:
        case = cases[places[0]]
        details = len(case.faults[0].fault.written())
        return lasting[places[0]] < long_ns, case.lasts_ns > short_ns, details, case.lasts_ns

    return sorted(groups, key=key)


def _fault_ns(case: Scenario) -> int:
    timed = case.faults[0]
    return 0 if timed.until_ns is None else timed.until_ns - timed.at_ns


def _is_near(case: Scenario, nodes: Collection[str]) -> bool:
    """Whether a case's fault hits one of these nodes, or a message that it sends or acts on."""
    fault = case.faults[0].fault
    message = getattr(fault, "message", None)
    if message is None:
        return not set(fault.nodes()).isdisjoint(nodes)
    senders = case.vehicle.messages[message].senders
    loads = case.vehicle.loads.values()
    acting = {load.node for load in loads if message in load.request_messages}
    return not acting.union(senders).isdisjoint(nodes)


def in_turn(lists: Iterable[Sequence[Item]]) -> Iterator[Item]:
    """The first item of each list, then the second of each, and so on."""
    every = list(lists)
    for number in range(max(map(len, every), default=0)):
        yield from (items[number] for items in every if number < len(items))
