"""Nodes that take the wrong frames, take them too late, or stop taking any."""

from __future__ import annotations

from collections import deque

import can
from base_link import Heard
from base_power import HomeRear


class AnyFrameRefreshes(HomeRear):
    """Whatever frame comes, all messages count as just heard."""

    def on_arrival(self, frame: can.Message) -> None:
        for heard in self.heard.values():
            heard.at_ms = self.now_ms
        super().on_arrival(frame)


class RefusedFrameRefreshes(HomeRear):
    """The time of the last frame is noted before anybody has looked whether it is good."""

    def is_intact(self, heard: Heard, frame: can.Message) -> bool:
        heard.at_ms = self.now_ms
        return super().is_intact(heard, frame)


class IgnoresCounter(HomeRear):
    """Frames come, so the sender is alive."""

    def counts_on(self, heard: Heard, frame: can.Message) -> bool:
        return True


class IgnoresChecksum(HomeRear):
    """The controller has a checksum of its own, what should go wrong."""

    def is_intact(self, heard: Heard, frame: can.Message) -> bool:
        return len(frame.data) == heard.length


class IgnoresKind(HomeRear):
    """An extended frame with the same number will do as well."""

    def is_for(self, heard: Heard, frame: can.Message) -> bool:
        return frame.arbitration_id == heard.identifier


class PollsTooSlowly(HomeRear):
    """There is a delay() in the loop."""

    LOOP_MS = 70


class TwoReceiveBuffers(HomeRear):
    """A small controller, no filters, and a loop that is not quick enough for it."""

    LOOP_MS = 20


class OverflowNeverCleared(HomeRear):
    """The driver's ring overflows once; nobody clears the flag, and it takes no more frames."""

    DEPTH = 6

    def set_up(self) -> None:
        self.ring: deque[can.Message] = deque()
        self.overflow = False
        super().set_up()

    def on_frame(self, message: can.Message) -> None:
        """The receive interrupt."""
        if self.overflow or len(self.ring) == self.DEPTH:
            self.overflow = True
        else:
            self.ring.append(message)

    def poll(self) -> None:
        while self.ring:
            self.on_arrival(self.ring.popleft())
