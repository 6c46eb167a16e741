"""What the wire tells its observers about each start of frame."""

from __future__ import annotations

from typing import Literal, NamedTuple

from bench.wire.frame import Frame

Cause = Literal["ack", "disturbed", "collision", "broken_off"]
"""Why a frame failed: nobody acknowledged it; a fault forced a bit; two nodes sent different
content under one identifier; its sender or the cable went away, or two live segments were joined.
"""


class WireRecord(NamedTuple):
    """One frame, or attempt at one, on one segment."""

    start_ns: int
    """The instant of its start of frame."""
    end_ns: int
    """The end of its end of frame; for a failed one, the end of the bit that showed the error."""
    sender: str
    frame: Frame
    """As it stood on the wire, which is not what the sender queued if a fault altered it."""
    receivers: tuple[str, ...] = ()
    """To whose controllers it was validly delivered, before filters and receive FIFO."""
    error: Cause | None = None
    lost_overrun: tuple[str, ...] = ()
    """Receivers whose receive FIFO was full: they lost this frame, or the one before it there."""
    rivals: tuple[str, ...] = ()
    """Other nodes that sent the same identifier from the same start of frame on."""
