"""What becomes of the segments when the cable changes under live traffic.

A frame in flight goes on at its sender's side. Who heard it and is cut off from it sees an error.
Where two live segments are joined, frames in flight on either are broken and all see an error.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.wire import mishap, recovery
from bench.wire.segment import Segment

if TYPE_CHECKING:
    from bench.wire.controller import Controller
    from bench.wire.medium import Wire

Group = tuple["Controller", ...]


def rewire(wire: Wire, groups: list[Group]) -> list[Segment]:
    """The segments for the connected groups of controllers, made out of those before."""
    before = wire.segments
    settled = {segment.members: segment for segment in before}
    changed = [group for group in groups if group not in settled]
    for group in changed:
        _break_joined(_sources(group))
    heard = {segment: segment.audience.receivers for segment in before if segment.frame is not None}
    sources = {group: _sources(group) for group in changed}
    for group in changed:
        settled[group] = _carried_on(group, sources[group]) or Segment(wire, group)
    after = [settled[group] for group in groups]
    for group in changed:
        _settle(settled[group], sources[group], heard)
    for segment in before:
        if segment not in after and segment.due is not None:
            wire.queue.cancel(segment.due)
    return after


def _sources(group: Group) -> list[Segment]:
    """The segments that a group's members come from, each once, in cable order."""
    found: list[Segment] = []
    for member in group:
        if member.segment is not None and member.segment not in found:
            found.append(member.segment)
    return found


def _break_joined(sources: list[Segment]) -> None:
    if len(sources) < 2 or all(segment.frame is None for segment in sources):
        return
    for segment in sources:
        if segment.frame is not None:
            mishap.break_off(segment, sender_notices=True)
        else:
            for member in segment.members:
                if member.online:
                    member.count_receive_error()


def _carried_on(group: Group, sources: list[Segment]) -> Segment | None:
    """The segment whose frame in flight is sent from within the group, now of that group."""
    for segment in sources:
        if segment.frame is not None and segment.sender in group:
            for rival in segment.rivals:
                if rival not in group:
                    rival.fail_sending()
            segment.rivals = tuple(rival for rival in segment.rivals if rival in group)
            segment.members = group
            mishap.keep_receivers(segment, [r for r in segment.audience.receivers if r in group])
            return segment
    return None


def _settle(segment: Segment, sources: list[Segment], heard: dict[Segment, Group]) -> None:
    """Give the members their segment, and take over what they brought along."""
    wire = segment.wire
    now_ns = free_ns = wire.queue.now_ns
    for member in segment.members:
        member.segment = segment
    for source in sources:
        if source is segment:
            continue
        _move(source, segment)
        if source.frame is None:
            if not source.idle and source.due is not None:
                free_ns = max(free_ns, source.due[0])
        elif any(member in heard[source] for member in segment.members):
            free_ns = max(free_ns, now_ns + wire.span_ns(mishap.BREAK_BITS))
            for member in segment.members:
                if member in heard[source]:
                    member.count_receive_error()
    segment.forget_audiences()
    if segment.frame is None:
        segment.free_at(free_ns)


def _move(source: Segment, segment: Segment) -> None:
    """Recoveries under way and suspended senders go with their controllers."""
    for found in list(source.recoveries):
        if found.controller in segment.members:
            recovery.settle(source, found)
            found.since_ns = segment.queue.now_ns
            source.recoveries.remove(found)
            segment.recoveries.append(found)
    moved = tuple(member for member in source.suspended if member in segment.members)
    if moved:
        segment.suspended += moved
        segment.suspended_until_ns = max(segment.suspended_until_ns, source.suspended_until_ns)
