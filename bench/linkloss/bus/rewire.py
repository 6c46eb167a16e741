"""What becomes of the segments when the cable changes under live traffic.

Whatever is in flight goes on bit by bit on the new pieces: each controller as it stands, seeing
from now on only those that it is still connected to. A change in the midst of a bit counts for that
bit. Pieces that are joined take over the grid of bits of one of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkloss.bus.interlude import Interlude
from linkloss.bus.segment import Segment

if TYPE_CHECKING:
    from linkloss.bus.controller import Controller
    from linkloss.bus.medium import Bus

Group = tuple["Controller", ...]


def rewire(bus: Bus, groups: list[Group]) -> list[Segment]:
    """The segments for the connected groups of controllers, made out of those before."""
    before = bus.segments
    settled = {segment.members: segment for segment in before}
    changed = [group for group in groups if group not in settled]
    sources = {group: _sources(group) for group in changed}
    for segment in before:
        if segment.frame is not None and any(segment in found for found in sources.values()):
            segment.follow()
    for group in changed:
        settled[group] = Segment(bus, group)
    for group in changed:
        _settle(settled[group], sources[group])
    after = [settled[group] for group in groups]
    for segment in before:
        if segment not in after:
            segment.close()
    return after


def _sources(group: Group) -> list[Segment]:
    """The segments that a group's members come from, each once, in cable order."""
    found: list[Segment] = []
    for member in group:
        segment = member.segment
        if isinstance(segment, Segment) and segment not in found:
            found.append(segment)
    return found


def _settle(segment: Segment, sources: list[Segment]) -> None:
    """Give the members their segment, and take over what they brought along."""
    homes = [(member, member.segment) for member in segment.members]
    before = {who: home if isinstance(home, Segment) else None for who, home in homes}
    for member in segment.members:
        member.segment = segment
    for source in sources:
        _move(source, segment)
    segment.forget_audiences()
    live = [source.interlude for source in sources if source.interlude is not None]
    if live:
        _carry_on(segment, live, before)
    else:
        taken = [s.due[0] for s in sources if s.due is not None and not s.idle]
        segment.free_at(max(taken, default=segment.queue.now_ns))


def _carry_on(
    segment: Segment, live: list[Interlude], before: dict[Controller, Segment | None]
) -> None:
    """The members go on bit by bit, in the grid of the first one of theirs that sends."""
    sending = [found for found in live if any(s.sending for s in found.stations)]
    interlude = Interlude(segment, segment.queue.now_ns)
    interlude.inherit((sending or live)[0])
    for member, source in before.items():
        if source is None:
            if member.online:
                interlude.station(member).integrate()
        elif source.interlude is not None:
            interlude.adopt(source.interlude, source.interlude.station(member))
        elif source.due is not None and not source.idle and member.online:
            left = interlude.bits_in(source.due[0] - segment.queue.now_ns)
            if left:
                interlude.station(member).resume(left, sender=member in source.transmitters)
    interlude.go_on()


def _move(source: Segment, segment: Segment) -> None:
    """Recoveries under way, last senders and suspensions go with their controllers."""
    for found in list(source.recoveries):
        if found.controller in segment.members:
            source.settle(found)
            found.since_ns = segment.queue.now_ns
            source.recoveries.remove(found)
            segment.recoveries.append(found)
    if source.due is not None and not source.idle:
        segment.transmitters += tuple(m for m in source.transmitters if m in segment.members)
    for member, until_ns in source.suspended.items():
        if member in segment.members:
            segment.suspended[member] = until_ns
