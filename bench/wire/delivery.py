"""Who hears a frame, and handing it to them."""

from __future__ import annotations

from dataclasses import dataclass

from bench.wire.controller import Controller
from bench.wire.frame import Frame


@dataclass(frozen=True, slots=True, eq=False)
class Audience:
    """Who hears a frame, and whether one of them acknowledges it."""

    receivers: tuple[Controller, ...]
    names: tuple[str, ...]
    acknowledged: bool

    @classmethod
    def of(cls, receivers: tuple[Controller, ...]) -> Audience:
        acknowledged = any(not receiver.listen_only for receiver in receivers)
        return cls(receivers, tuple(receiver.name for receiver in receivers), acknowledged)


def deliver(
    now_ns: int, frame: Frame, receivers: tuple[Controller, ...], *, counted: bool = False
) -> tuple[list[Controller], tuple[str, ...]]:
    """Put a frame into the receive FIFOs. Returns who is to be told and whose FIFO was full.

    :param counted: the receive error counters have gone down for it already.
    """
    received = (now_ns, frame)
    woken = []
    overrun: tuple[str, ...] = ()
    for receiver in receivers:
        if receiver.rec and not counted:
            receiver.count_received()
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
