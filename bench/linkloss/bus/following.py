"""From whole frames to bits: when a segment is followed bit by bit, and from where.

At a start of frame it is asked whether anything may go wrong; in the midst of a frame that went
well so far, its bits up to now are gone through again, which changes nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkloss.bus import recovery
from linkloss.bus.delivery import Audience
from linkloss.bus.frame import INTERMISSION_BITS, Frame
from linkloss.bus.interlude import Interlude
from linkloss.bus.reception import outgoing
from linkloss.clock.queue import Priority

if TYPE_CHECKING:
    from linkloss.bus.controller import Controller
    from linkloss.bus.record import Hit
    from linkloss.bus.segment import Segment


def is_exceptional(segment: Segment, frame: Frame) -> bool:
    """Find out at a start of frame whether it takes another course, and if so begin that."""
    bus, sender = segment.bus, segment.sender
    hits = bus.hits_on(sender, frame) if bus.disturbances else []
    exposed = segment.length + INTERMISSION_BITS
    quiet = sum(not noise.spares(exposed) for noise in bus.noises) == 0
    begun = {sender: frame}
    for rival in segment.rivals:
        begun[rival] = bus.as_sent(rival, rival.begin())
    same = all(other == frame for other in begun.values())
    plain = segment.wiring is None or segment.wiring.harmless
    if frame.fd:  # to a classical controller it looks damaged
        plain = plain and all(receiver.fd for receiver in segment.audience.receivers)
    if hits or not quiet or not same or not plain:
        _follow(segment, begun, hits)
    elif segment.audience.acknowledged:
        return False
    elif segment.audience.receivers or segment.rivals:
        _follow(segment, begun, hits)
    else:
        slot_ns = segment.start_ns + segment.ns[outgoing(frame).ack + 1]
        segment.event = segment.queue.at(slot_ns, segment.unheard, priority=Priority.BUS)
    return True


def _follow(segment: Segment, begun: dict[Controller, Frame], hits: list[Hit]) -> None:
    """Bit by bit from this start of frame on."""
    segment.frame = None
    interlude = Interlude(segment, segment.queue.now_ns)
    starting = [s for s in interlude.stations if s.controller in begun or s.may_start]
    interlude.start(starting, begun, hits)
    interlude.go_on()


def from_here(segment: Segment) -> Interlude:
    """Bit by bit from now on, whatever the segment carries."""
    if segment.interlude is not None:
        return segment.interlude
    if segment.frame is None:
        return _without_frame(segment)
    frame, heard = segment.frame, (*segment.audience.receivers, segment.sender, *segment.rivals)
    counted = segment.counted
    interlude = Interlude(segment, segment.start_ns)
    late = [s for s in interlude.stations if s.resting and s.controller not in heard]
    for station in late:
        if station.recovery is None:
            station.leave()
    begun = dict.fromkeys((segment.sender, *segment.rivals), frame)
    interlude.start([interlude.station(sender) for sender in begun], begun, [])
    interlude.catch_up(counted=counted)
    for found in segment.recoveries:  # it may have begun in the midst of the frame
        since = interlude.bits_in(segment.queue.now_ns - found.since_ns)
        found.recessive = min(found.recessive, since)
    for station in late:
        if station.recovery is None and station.controller.online:
            station.integrate()
    interlude.go_on()
    return interlude


def _without_frame(segment: Segment) -> Interlude:
    """From idle, or from an intermission or an error frame that nobody heard."""
    now_ns = segment.queue.now_ns
    free_ns = segment.due[0] if segment.due is not None and not segment.idle else now_ns
    if segment.idle:
        recovery.start_of_frame(segment)
    interlude = Interlude(segment, now_ns)
    left = interlude.bits_in(free_ns - now_ns)
    for station in interlude.stations:
        if left and station.controller.online:
            station.resume(left, sender=station.controller in segment.transmitters)
    interlude.go_on()
    return interlude


def lose(segment: Segment, controller: Controller) -> None:
    """A controller drops out while a frame is on its way: of its own, or of another one."""
    receivers = segment.audience.receivers
    if controller not in receivers:
        if controller is segment.sender or controller in segment.rivals:
            from_here(segment)
        return
    left = Audience.of(tuple(r for r in receivers if r is not controller))
    if segment.audience.acknowledged and not left.acknowledged:
        from_here(segment)
    else:
        segment.audience = left
