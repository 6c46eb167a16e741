"""Old content: a frame that was right when it was queued, and wins the wire when it no longer is.

A request that waited while the cable was off, and comes first when it is back, switches what
nobody asks for any more. The walk of *control* sees what a controller took, and not how long that
lay there; this is the other half.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from bench.wire import WireRecord


def outdated(
    frames: Iterable[WireRecord], asked: Callable[[bytes, int], bool], limit_ns: int
) -> Iterator[WireRecord]:
    """The frames that reached somebody with content that was asked for when a program handed it
    over, is older than ``limit_ns`` (a cycle and the latency), and was no longer asked for at their
    start of frame.

    ``frames`` are those of one message from its own sender; ``asked(data, at_ns)`` tells whether
    content is what the inputs ask for at an instant, or may be. What was wrong from the beginning
    is not told here.
    """
    for record in frames:
        queued_ns, start_ns, data = record.queued_ns, record.start_ns, record.frame.data
        if queued_ns < 0 or start_ns - queued_ns <= limit_ns or not record.receivers:
            continue
        if asked(data, queued_ns) and not asked(data, start_ns):
            yield record
