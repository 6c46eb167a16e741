"""Nodes that send wrongly, or do not find their way back to the bus."""

from __future__ import annotations

import contextlib
from collections import deque

import can
from base_dash import HomeDash
from base_link import Heard, Outgoing
from base_power import HomeRear


class NeverRecovers(HomeRear):
    """Bus-off is for ever: nobody asks the controller to come back."""

    def recover(self) -> None:
        """Forgotten."""


class NotRestarted(HomeRear):
    """The controller comes back, but the driver stays in its state "stopped"."""

    stopped = False

    def recover(self) -> None:
        self.stopped = True
        super().recover()

    def send(self, out: Outgoing) -> bool:
        return not self.stopped and super().send(out)

    def is_for(self, heard: Heard, frame: can.Message) -> bool:
        return not self.stopped and super().is_for(heard, frame)


class CrashesInBusOff(HomeRear):
    """Takes it for granted that the controller accepts a frame."""

    def send(self, out: Outgoing) -> bool:
        self.board.bus.send(out.build())
        return True


class IgnoresFullMailboxes(HomeDash):
    """Four messages in one go for three mailboxes, and nobody looks at what became of them."""

    def send_due(self) -> None:
        if not self.knows_switches() or self.now_ms % 50 >= self.LOOP_MS:
            return
        for out in self.out.values():
            with contextlib.suppress(can.CanOperationError):
                self.board.bus.send(out.build())
            out.count = (out.count + 1) % 16


class OldFramesWait(HomeDash):
    """What the mailboxes hold while the plug is off goes out when it is put back."""

    def refused(self) -> None:
        """Full; it will go some time."""


class SendsOnlyChanges(HomeDash):
    """A message goes out when something in it has changed, and then never again."""

    def send_due(self) -> None:
        for out in self.out.values():
            if out.sent_ms is not None and not out.changed:
                out.sent_ms = self.now_ms
        super().send_due()


class QueuedDash(HomeDash):
    """All frames go through one queue before the mailboxes, first in, first out."""

    def set_up(self) -> None:
        self.queue: deque[can.Message] = deque(maxlen=400)
        super().set_up()

    def send(self, out: Outgoing) -> bool:
        self.queue.append(out.build())
        return True

    def loop(self) -> None:
        super().loop()
        with contextlib.suppress(can.CanOperationError):
            while self.queue:
                self.board.bus.send(self.queue[0])
                self.queue.popleft()


class ReplaysQueue(QueuedDash):
    """What was queued while the plug was off is sent when it is put back, one after the other."""


class ChattersInFifo(QueuedDash):
    """Debug output waits in the same queue, before the requests."""

    def send_due(self) -> None:
        if self.now_ms % 800 < self.LOOP_MS:
            for line in range(300):
                text = can.Message(
                    arbitration_id=0x7F0, is_extended_id=False, data=[line % 256] * 8
                )
                self.queue.append(text)
        super().send_due()


class RestartsWithoutLink(HomeRear):
    """Cures a lost link by a restart of the whole node."""

    def work(self) -> None:
        super().work()
        lamps = self.heard["LampRequest"]
        if lamps.values is not None and self.now_ms - lamps.at_ms > 600:
            self.board.restart()
