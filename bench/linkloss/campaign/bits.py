"""Faults in the bits of one frame with news: in which bit a link breaks decides who has got the
frame, who sends it again, and who believes that it was sent.

    S|identifier|control|data|CRC|A|end of frame|
    ^    ^    ^    ^    ^    ^   ^^^^^^^^^^^^^^^    the last bits one by one

The instant comes out of the situation's run without a fault.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from linkloss.bus import BusRecord
from linkloss.campaign.asked import fail_safe
from linkloss.campaign.cases import MS, CaseMaker
from linkloss.campaign.traits import Traits
from linkloss.campaign.undisturbed import Undisturbed
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import make_fault
from linkloss.faults.traffic import carries
from linkloss.scenario import Scenario, TimedFault

POSITIONS = 16
LAST_BITS = 10
"""The acknowledge slot, its delimiter and the end of frame, and the bit before them (ISO 11898-1:
the end of frame has 7 bits)."""


class News(NamedTuple):
    """A message that tells a node something else, and from when to when its frame is sent."""

    situation: str
    sender: str
    receiver: str
    start_ns: int
    end_ns: int


def bit_cases(maker: CaseMaker, undisturbed: Undisturbed) -> Iterator[Scenario]:
    """Each fault that breaks a link at once, at each position; none where no frame was found: no
    situation asks a load for anything by a message, or a program fails even without a fault.
    """
    for situation, load, at_ns in _places(maker):
        news = _seen(maker, undisturbed.frames(situation), situation, load, at_ns)
        if news is not None:
            yield from _cases(maker, news)
            return


def _places(maker: CaseMaker) -> Iterator[tuple[str, str, int]]:
    """(situation, load, instant) at which a load is asked over a link for another state than it
    takes by itself; of the message that most loads are asked by, the first.
    """
    traits, loads = Traits(maker), maker.vehicle.loads
    asked = [name for load in loads.values() for name in load.request_messages]
    for message in sorted(dict.fromkeys(asked), key=lambda name: -asked.count(name))[:1]:
        for situation in maker.vehicle.situations:
            for at_ns, name, state in traits.changes(situation):
                load = loads[name]
                shown = load.asked_state if state == "on" else "off"
                if message in load.request_messages and shown not in fail_safe(load):
                    yield situation, name, at_ns
                    return


def _seen(
    maker: CaseMaker, frames: Iterable[BusRecord], situation: str, load: str, at_ns: int
) -> News | None:
    """The first frame behind an instant whose content is another than that of the one before."""
    vehicle = maker.vehicle
    message = vehicle.messages[vehicle.loads[load].request_messages[0]]
    before: dict[str, int] | None = None
    for record in frames:
        if not carries(message, record.frame):
            continue
        now = {
            name: signal.raw(record.frame.data)
            for name, signal in message.signals.items()
            if name not in message.guards
        }
        if record.start_ns > at_ns and before is not None and now != before:
            receiver = vehicle.loads[load].node
            return News(situation, record.sender, receiver, record.start_ns, record.end_ns)
        before = now
    return None


def _cases(maker: CaseMaker, news: News) -> Iterator[Scenario]:
    took = maker.spans
    for fault in _faults(maker, news):
        for number, at_ns in enumerate(positions(maker, news)):
            lasts_ns = took.outage if number % 2 else took.brief
            timed = TimedFault(fault, at_ns, at_ns + lasts_ns if fault.lasting else None)
            yield maker.case(news.situation, (timed,))


def positions(maker: CaseMaker, news: News) -> list[int]:
    """Instants in the middle of 16 bits of a frame: the last ones, and some all over the rest."""
    bit_ns = 1_000 * MS // maker.vehicle.bus.bit_rate
    bits = (news.end_ns - news.start_ns) // bit_ns
    earlier = POSITIONS - LAST_BITS
    chosen = [number * (bits - LAST_BITS) // earlier for number in range(earlier)]
    chosen += range(bits - LAST_BITS, bits)
    return [news.start_ns + bit * bit_ns + bit_ns // 2 for bit in chosen]


def _faults(maker: CaseMaker, news: News) -> Iterator[Fault]:
    vehicle, cable = maker.vehicle, maker.vehicle.bus.cable
    for kind in ("reset", "unplug", "bus_off"):
        yield make_fault(kind, {"node": news.sender}, vehicle)
    for kind in ("reset", "unplug"):
        yield make_fault(kind, {"node": news.receiver}, vehicle)
    here, there = sorted((cable.index(news.sender), cable.index(news.receiver)))
    if here < there:
        yield make_fault("cut", {"between": [cable[there - 1], cable[there]]}, vehicle)
