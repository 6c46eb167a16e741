"""What is outside of the bench and takes part on the bus: programs in other processes, and real
nodes behind an adapter. What they did is noted with its virtual instant, so that a run with them
can be run again without them.

It is kept as a SocketCAN text log with nine decimals, the sender in the place of the channel:

    (1.234567891) udp1 0A0#8A3F
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, NamedTuple

import can

from linkloss.bus import Frame
from linkloss.bus.messages import frame_of
from linkloss.replay.textlog import entries

Presence = Literal["on", "listen", "off"]
"""Of a program's controller: taking part, only listening, or off the bus."""
NS_PER_S = 1_000_000_000


class OutsideEvent(NamedTuple):
    """Something that came from outside at an instant: a frame that was handed to the sender's
    controller, or (without a frame) the presence of a program changed. ``hands``: what a person
    did to a real node, which is a fault from ``off`` to ``on``.
    """

    at_ns: int
    name: str
    frame: Frame | None
    presence: Presence = "on"
    hands: str = ""


@dataclass(frozen=True, slots=True)
class Outside:
    """Who takes part from outside.

    :param programs: each has a controller of its own at the far end of the cable, off at first.
    :param nodes: nodes of the vehicle that are real: each has the controller of its node, at its
        place on the cable.
    :param events: what they did, in order; none in a run in which they themselves take part.
    :param delay_ns: the longest that a frame takes between the bus and a real node, one way.
    :param doubt: why nothing can be said of the real nodes, if that is so: the bench lost frames
        on the way to them, or its time stood still.
    """

    programs: tuple[str, ...] = ()
    nodes: tuple[str, ...] = ()
    events: tuple[OutsideEvent, ...] = ()
    delay_ns: int = 0
    doubt: str = ""


NOBODY = Outside()


def write_frames(events: Iterable[OutsideEvent]) -> Iterable[str]:
    """The lines of a log of all frames among the events."""
    for at_ns, name, frame, *_ in events:
        if frame is not None:
            seconds, rest = divmod(at_ns, NS_PER_S)
            yield f"({seconds}.{rest:09d}) {name} {frame}\n"


def read_frames(lines: Iterable[str]) -> list[OutsideEvent]:
    """The frames of such a log. Raises ValueError for a line that is none, with its number."""
    found = []
    for number, entry in enumerate(entries(lines), 1):
        try:
            if isinstance(entry, Exception):
                raise entry
            if isinstance(entry, can.Message):
                at_ns = round(entry.timestamp * NS_PER_S)
                event = OutsideEvent(at_ns, str(entry.channel), frame_of(entry))
            else:
                event = OutsideEvent(entry[0], entry[2], entry[1])
        except ValueError as error:
            raise ValueError(f"line {number}: {error}") from None
        found.append(event)
    return found
