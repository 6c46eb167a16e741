"""Old content: a frame that was right when it was queued, and wins the bus when it no longer is.

    handed over   A   A   r   r   r   B            r: refused, all mailboxes wait
    on the bus        ~~~~ no cable ~~~~  A  B    A was asked for; nobody asks for it any more

A request that waited while the cable was off, and comes first when it is back, switches what
nobody asks for. What the other half of *control* looks at is what a program hands over; how long
that then lay in a mailbox is this half.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence

from linkloss.judge.case import Case, Waited
from linkloss.judge.service import TimeSpan


def waited(case: Case, message: str) -> Iterator[Waited]:
    """The frames of a message that its program handed over, in order of time. Of equal content the
    youngest counts. A fault that alters, delays or repeats what is handed over makes old content
    of its own: then there are none.
    """
    node = case.vehicle.sender(message)
    if case.wrong_content:
        return
    handed: dict[bytes, list[int]] = {}
    for entry in case.recording.handed.get(message, []):
        if entry.taken:
            handed.setdefault(entry.data, []).append(entry.at_ns)
    sent: dict[bytes, int] = {}
    for record in case.traffic(message).records:
        frame = record.frame
        if record.sender == node and record.receivers and record.start_ns >= case.start_ns:
            times = handed.get(frame.data, [])
            place = bisect_right(times, record.start_ns)
            if place > sent.get(frame.data, 0):
                yield Waited(times[place - 1], record.start_ns, frame.data)
                if record.error is None:  # else it comes again
                    sent[frame.data] = place


def outdated(
    frames: Sequence[Waited], asked: Callable[[bytes, int], bool], limit_ns: int
) -> Iterator[Waited]:
    """The frames whose content was asked for when a program handed it over, is older than
    ``limit_ns`` (a cycle and the latency), and was no longer asked for at their start of frame.

    ``asked(data, at_ns)`` tells whether content is what the inputs ask for at an instant, or may
    be. What was wrong from the beginning is not told here.
    """
    for frame in frames:
        if frame.start_ns - frame.queued_ns <= limit_ns:
            continue
        if asked(frame.data, frame.queued_ns) and not asked(frame.data, frame.start_ns):
            yield frame


def full(case: Case, node: str) -> Iterator[TimeSpan]:
    """When every mailbox of a node's controller waited for the bus: a program that looks whether
    there is room hands nothing over then. What it takes back is not seen; but what the controller
    takes while all seem to wait shows that it was. A program that a fault has muted sees its
    frames go.
    """
    if any(fault.kind == "mute" and node in fault.nodes for fault in case.recording.faults):
        return
    most, since_ns = case.vehicle.nodes[node].mailboxes, -1
    waiting: list[Key] = []
    for at_ns, what, key in sorted([*_gone(case, node), *_taken(case, node)]):
        if what == _RESET:
            waiting = []
        elif what == _TAKEN:
            waiting = [*waiting, key] if len(waiting) < most else [key]
        elif key in waiting:
            waiting.remove(key)
        if len(waiting) == most:
            since_ns = at_ns if since_ns < 0 else since_ns
        elif since_ns >= 0:
            yield since_ns, at_ns
            since_ns = -1
    if since_ns >= 0:
        yield since_ns, case.end_ns


Key = tuple[int, bool]
"""An identifier, and whether it is an extended one."""

_RESET, _SENT, _TAKEN = range(3)


def _gone(case: Case, node: str) -> Iterator[tuple[int, int, Key]]:
    """The instants at which a node's mailboxes become free."""
    once = case.vehicle.nodes[node].single_shot
    for record in case.recording.frames:
        if record.sender == node and (record.error is None or once):
            yield record.end_ns, _SENT, (record.frame.identifier, record.frame.extended)
    for life in case.lives[node].lives:
        yield life.reset_ns, _RESET, (0, False)


def _taken(case: Case, node: str) -> Iterator[tuple[int, int, Key]]:
    """The instants at which a node's mailboxes are filled."""
    for name, entries in case.recording.handed.items():
        info = case.vehicle.messages[name]
        if node in info.senders:
            key = (info.identifier, info.extended)
            yield from ((entry.at_ns, _TAKEN, key) for entry in entries if entry.taken)
    for entry in case.recording.foreign:
        if entry.node == node and entry.taken:
            yield entry.at_ns, _TAKEN, (entry.identifier, entry.extended)
