"""Cases at special places: in the bits of one frame, and around the supply and the outputs.

:func:`electrical_drafts` chooses the cases around the supply and the loads:

    load on   ____________on___________off____
    blown           [--------------]           while it is driven: the driver is told
    broken       [------------]                from before it is switched on
    shorted            [--------------]        while it is driven: the neighbours go on, and its
                                               node gives up, where it may
    welded              [--------------...]    from while it is on until after it is switched off

They come after all other cases, and leave the names and the random choices of those alone.

:func:`bit_cases` places faults in the bits of one frame whose content is new: the bit in which a
link breaks decides who has received the frame, who sends it again, and who believes that it was
sent.

    S|identifier|control|data|CRC|A|end of frame|
    ^    ^    ^    ^    ^    ^   ^^^^^^^^^^^^^^^    the last bits one by one

The instant comes from the situation's run without a fault.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from linkloss.bus import BusRecord
from linkloss.campaign.asked import fail_safe
from linkloss.campaign.cases import MS, CaseMaker, Draft, instants
from linkloss.campaign.rotation import Rotation, Undisturbed
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import catalogue, make_fault
from linkloss.faults.frame_faults import sent_as
from linkloss.scenario import Scenario

POSITIONS = 16
LAST_BITS = 10
"""The acknowledge slot, its delimiter and the end of frame, and the bit before them (ISO 11898-1:
the end of frame has 7 bits)."""


class News(NamedTuple):
    """A message with new content for a node, and when its frame begins and ends."""

    situation: str
    sender: str
    receiver: str
    bus: str
    start_ns: int
    end_ns: int


def bit_cases(maker: CaseMaker, undisturbed: Undisturbed) -> Iterator[Scenario]:
    """Each fault that breaks a link at once, at each position. There are none if no such frame was
    found: no situation asks a load for anything by a message, or a program fails without a fault.
    """
    for situation, load, at_ns in _places(maker):
        news = _seen(maker, undisturbed.frames(situation), situation, load, at_ns)
        if news is not None:
            yield from _cases(maker, news)
            return


def _places(maker: CaseMaker) -> Iterator[tuple[str, str, int]]:
    """(situation, load, instant) at which a load is asked over a link for another state than it
    takes by itself: the first one, for the message that asks the most loads.
    """
    loads = maker.vehicle.loads
    asked = [name for load in loads.values() for name in load.request_messages]
    for message in sorted(dict.fromkeys(asked), key=lambda name: -asked.count(name))[:1]:
        for situation in maker.vehicle.situations:
            for at_ns, name, state in maker.asks.course(situation).changes:
                load = loads[name]
                shown = load.asked_state if state == "on" else "off"
                if message in load.request_messages and shown not in fail_safe(load):
                    yield situation, name, at_ns
                    return


def _seen(
    maker: CaseMaker, frames: Iterable[BusRecord], situation: str, load: str, at_ns: int
) -> News | None:
    """The first frame after an instant whose content differs from that of the frame before."""
    vehicle = maker.vehicle
    message = vehicle.messages[vehicle.loads[load].request_messages[0]]
    before: dict[str, int] = {}
    for record in frames:
        if not sent_as(message, record):
            continue
        now = {
            name: signal.raw(record.frame.data)
            for name, signal in message.signals.items()
            if name not in message.guards
            and not signal.switch
            and signal.present(record.frame.data)
        }
        news = any(before.get(name, raw) != raw for name, raw in now.items())
        if record.start_ns > at_ns and news:
            receiver = vehicle.loads[load].node
            return News(
                situation, record.sender, receiver, message.bus, record.start_ns, record.end_ns
            )
        before |= now
    return None


def _cases(maker: CaseMaker, news: News) -> Iterator[Scenario]:
    took = maker.spans
    for fault in _faults(maker, news):
        for number, at_ns in enumerate(positions(maker, news)):
            lasts_ns = took.outage if number % 2 else took.brief
            yield maker.case(*Draft.of(news.situation, fault, at_ns, lasts_ns))


def positions(maker: CaseMaker, news: News) -> list[int]:
    """Instants in the middle of 16 bits of a frame: the last ones, and some across the rest."""
    bit_ns = 1_000 * MS // maker.vehicle.file.bus[news.bus].bit_rate
    bits = (news.end_ns - news.start_ns) // bit_ns
    earlier = POSITIONS - LAST_BITS
    chosen = [number * (bits - LAST_BITS) // earlier for number in range(earlier)]
    chosen += range(bits - LAST_BITS, bits)
    return [news.start_ns + bit * bit_ns + bit_ns // 2 for bit in chosen]


def _faults(maker: CaseMaker, news: News) -> Iterator[Fault]:
    vehicle = maker.vehicle
    cable = vehicle.file.bus[news.bus].cable
    for node, kinds in (
        (news.sender, ("reset", "unplug", "bus_off")),
        (news.receiver, ("reset", "unplug")),
    ):
        side = vehicle.side(node, news.bus)
        for kind in kinds:
            of_side = {} if side is None or kind == "reset" else {"bus": side}
            yield make_fault(kind, {"node": node, **of_side}, vehicle)
    here, there = sorted((cable.index(news.sender), cable.index(news.receiver)))
    if here < there:
        yield make_fault("cut", {"between": [cable[there - 1], cable[there]]}, vehicle)


SETTLED_NS = 300 * MS
"""From when a load is switched on until a fault strikes it."""
DIP_NS = 1_200 * MS
"""How long a supply is disturbed: about as long as an engine cranks."""
MOST_SITUATIONS = 3
"""The most situations in which the feed or the ground of one node fails."""
RETURN_PROFILE = "momentary_drop"
"""The dip after which loads must soon be on again."""
STARTS = ("starting_1", "starting_2")
"""Warm and cold starts of the engine."""
WHOLE_CAR = 5
"""The most situations in which one fault disturbs the supply of the whole car."""


def electrical_drafts(maker: CaseMaker, rotation: Rotation) -> Iterator[Draft]:
    """The cases of all electrical faults that the vehicle can have."""
    planner = _Planner(maker, rotation)
    for form in catalogue().values():
        if form.electrical:
            for number, fault in enumerate(form.every(maker.vehicle)):
                yield from planner.drafts(fault, number)
    yield from planner.returns()


class _Planner:
    def __init__(self, maker: CaseMaker, rotation: Rotation) -> None:
        self.maker = maker
        self.rotation = rotation
        self.vehicle = maker.vehicle
        self.told_ns = SETTLED_NS + max(
            (notice.within for notice in self.vehicle.notices.values() if notice.failed),
            default=500 * MS,
        )

    def drafts(self, fault: Fault, number: int) -> Iterator[Draft]:
        """The cases of one fault; a fault of the whole car goes to situations spread over the file,
        in turn.
        """
        load = getattr(fault, "load", None)
        if load is not None:
            yield from self._of_load(fault, load)
        elif fault.nodes():
            yield from self._of_node(fault)
        else:
            every = list(self.vehicle.situations)
            chosen = min(WHOLE_CAR, len(every))
            for step in range(chosen):
                place = (number + step * len(every) // chosen) % len(every)
                yield self._draft(every[place], fault)

    def returns(self) -> Iterator[Draft]:
        """Dips while a load is on that must soon be on again: a short one, in which all nodes
        reset, and the profiles of an engine start.
        """
        places = []
        if self.vehicle.supply is None:
            return
        for name, load in self.vehicle.loads.items():
            found = self._longest_on(name) if load.back_within is not None else None
            if found is not None:
                places.append((found[0], found[1] + SETTLED_NS // 3))
        for situation, start_ns in dict.fromkeys(places):
            for profile in (RETURN_PROFILE, *STARTS):
                fault = make_fault("brown_out", {"profile": profile}, self.vehicle)
                yield Draft.of(situation, fault, start_ns, DIP_NS)

    def _draft(self, situation: str, fault: Fault) -> Draft:
        every = instants(self.vehicle.situations[situation])
        at_ns = every[self.rotation.turn(fault) % len(every)]
        if fault.nodes():
            start_ns = self.rotation.place(fault, situation, at_ns)
        else:
            start_ns = max(0, at_ns - self.maker.spans.period)
        return Draft.of(situation, fault, start_ns, DIP_NS)

    def _of_node(self, fault: Fault) -> Iterator[Draft]:
        """The cases in situations that ask something of the node's own loads."""
        every = self.vehicle.situations
        fitting = [name for name in every if self.maker.spoilt(fault, name)]
        for name in fitting[:MOST_SITUATIONS]:
            yield self._draft(name, fault)

    def _of_load(self, fault: Fault, load: str) -> Iterator[Draft]:
        """The case where the load is on for longest."""
        found = self._longest_on(load)
        if found is None:
            return
        name, on_ns, off_ns = found
        # While a load flashes, its failure shows only in its bright phases.
        told_ns = self.told_ns + 2 * self.vehicle.loads[load].cycle_ns
        start_ns, until_ns = on_ns + SETTLED_NS, on_ns + SETTLED_NS + told_ns
        if fault.kind == "load_open":
            start_ns = max(0, on_ns - self.maker.spans.period)
        elif fault.kind == "relay_welded":
            start_ns = min(start_ns, (on_ns + off_ns) // 2)
            until_ns = off_ns + self.maker.spans.period + told_ns
        elif fault.kind == "load_short":
            until_ns = max(until_ns, start_ns + self._tried_ns(load))
        yield Draft.of(name, fault, start_ns, until_ns - start_ns)

    def _tried_ns(self, load: str) -> int:
        """The longest time until a node has given up a load, in ns: a pause before each try, and
        everything that its switch tries by itself after it.
        """
        table, electrical = self.vehicle.loads[load].tries, self.vehicle.loads[load].electrical
        if table is None or electrical is None or electrical.solid_state is None:
            return 0
        switch = electrical.solid_state
        own_ns = (switch.retries + 1) * (switch.blanking + switch.retry_after)
        return (table.most + 1) * (own_ns + table.pause + self.vehicle.loads[load].latency)

    def _longest_on(self, load: str) -> tuple[str, int, int] | None:
        """(situation, on from, on until) of the longest time for which inputs ask for a load."""
        best: tuple[str, int, int] | None = None
        for name, table in self.vehicle.situations.items():
            course = self.maker.asks.course(name)
            on_ns = 0 if course.beginning[load] == "on" else None
            for at_ns, changed, asked in [*course.changes, (table.lasts, load, "off")]:
                if changed != load:
                    continue
                if asked == "on" and on_ns is None:
                    on_ns = at_ns
                elif asked == "off" and on_ns is not None:
                    if best is None or at_ns - on_ns > best[2] - best[1]:
                        best = (name, on_ns, at_ns)
                    on_ns = None
        return best
