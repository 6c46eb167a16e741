"""Who hears a frame, and handing it to them."""

from __future__ import annotations

from dataclasses import dataclass

from linkloss.bus.controller import Controller
from linkloss.bus.frame import Frame


@dataclass(frozen=True, slots=True, eq=False)
class Audience:
    """Who hears a frame, and whether one of them acknowledges it."""

    receivers: tuple[Controller, ...]
    names: tuple[str, ...]
    acknowledged: bool
    counting: bool
    """Whether a receive error counter falls with it."""

    @classmethod
    def of(cls, receivers: tuple[Controller, ...]) -> Audience:
        acknowledged = any(not receiver.listen_only for receiver in receivers)
        counting = any(receiver.rec for receiver in receivers)
        return cls(receivers, tuple(r.name for r in receivers), acknowledged, counting)


def deliver(
    now_ns: int, frame: Frame, receivers: tuple[Controller, ...]
) -> tuple[list[Controller], tuple[str, ...]]:
    """Put a frame into the receive FIFOs. Returns who is to be told and whose FIFO was full."""
    received = (now_ns, frame)
    woken = []
    overrun: tuple[str, ...] = ()
    for receiver in receivers:
        if receiver.filters and not receiver.accepts(frame):
            continue
        inbox = receiver.inbox
        if len(inbox) >= receiver.receive_depth:
            receiver.overruns += 1
            overrun += (receiver.name,)
            if not receiver.overwrites:
                continue
            inbox.pop()
        inbox.append(received)
        if receiver.on_receive is not None:
            woken.append(receiver)
    return woken, overrun
