"""What becomes of frames in an interlude: handing them over, and telling observers of them.

A receiver takes a frame for valid after the last but one bit of its end of frame (Bosch CAN
Specification 2.0, part B section 4), whatever the last bit brings. It is handed over one bit later,
as everywhere on this bus: so a frame that a receiver has accepted while its sender saw an error,
and repeats it, arrives twice.

Records are made of what was handed over, at that instant, and of nothing else: whoever got a frame
stands in the record of it that ends when it got it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkloss.bus.controller import deliver
from linkloss.bus.record import BusRecord

if TYPE_CHECKING:
    from linkloss.bus.attempt import Attempt
    from linkloss.bus.controller import Controller
    from linkloss.bus.frame import Frame
    from linkloss.bus.interlude import Interlude
    from linkloss.bus.protocol import Station
    from linkloss.bus.record import Cause

Delivery = tuple[tuple["Controller", ...], tuple[str, ...]]
"""Who has got a frame, and whose receive FIFO was full."""
Landed = dict[tuple[int, "Frame"], Delivery]
"""What was handed over at an instant, by start of frame and frame."""
NOBODY: Delivery = (), ()


class Arrivals:
    """The frames that stations have accepted and not yet got."""

    def __init__(self, interlude: Interlude) -> None:
        self._interlude = interlude
        self._due: list[tuple[int, Station, Frame]] = []

    def expect(self, station: Station, frame: Frame) -> None:
        """A station has accepted a frame: it is due at the end of the next bit."""
        due_ns = self._interlude.instant(self._interlude.bit + 2)
        self._due.append((due_ns, station, frame))

    def take(self, other: Arrivals, station: Station) -> None:
        """What a station is to get comes with it from another interlude."""
        self._due += [each for each in other._due if each[1] is station]

    def settle(self, sent: list[tuple[Station, Frame]], now_ns: int) -> None:
        """A bit is over: hand over what is due, tell what was sent or failed, call the programs.

        :param sent: who has got which of its frames through, as it was queued.
        """
        landed, woken = self._land(now_ns)
        for attempt in self._interlude.attempts:
            if attempt.pending:
                self._tell_of(attempt, [station for station, _ in sent], landed, now_ns)
        for (start_ns, frame), delivery in landed.items():  # too late or too early for its sender
            attempt = self._origin(start_ns, frame)
            self._tell(attempt, attempt.senders_of(frame), frame, now_ns, attempt.cause, delivery)
        for station, queued in sent:
            if station.controller.on_sent is not None:
                station.controller.on_sent(queued)
        for receiver in woken:
            if receiver.on_receive is not None and receiver.powered:
                receiver.on_receive(receiver)

    def _land(self, now_ns: int) -> tuple[Landed, list[Controller]]:
        """Hand over what is due. Returns who has got what, and whose programs are to be told.

        What looks like a frame and is nobody's is not handed over: it has no sender to record.
        """
        landed: Landed = {}
        woken: list[Controller] = []
        if not self._due or not self._interlude.attempts:
            return landed, woken
        landing = [(s, frame) for due_ns, s, frame in self._due if due_ns <= now_ns]
        self._due = [each for each in self._due if each[0] > now_ns]
        frames: dict[tuple[int, Frame], list[Controller]] = {}
        for station, frame in landing:
            if station.controller.online:
                key = (station.start_ns, frame)
                frames.setdefault(key, []).append(station.controller)
        for key, accepting in frames.items():
            receivers = self._interlude.segment.bus.hearing(key[1], tuple(accepting))
            told, overrun = deliver(now_ns, key[1], receivers)
            woken += told
            if receivers:
                landed[key] = receivers, overrun
        return landed, woken

    # ---- telling of it

    def _tell_of(
        self, attempt: Attempt, through: list[Station], landed: Landed, now_ns: int
    ) -> None:
        """What has become of an attempt, if that is known by now."""
        finished = [station for station in through if station in attempt.left]
        if finished:
            self._tell_sent(attempt, finished, landed, now_ns)
        elif attempt.gave_way:
            self._tell_lost(attempt, now_ns)
        if attempt.failed is None or attempt.told:
            return
        delivery = landed.pop((attempt.start_ns, attempt.failed.outgoing.frame), None)
        if delivery is not None:
            attempt.told = True
            senders, frame = attempt.senders_of(), attempt.failed.outgoing.frame
            self._tell(attempt, senders, frame, now_ns, attempt.cause, delivery)
        elif attempt.due_ns is not None and attempt.due_ns <= now_ns:
            attempt.told = True
            if not any(other.outranks(attempt) for other in self._interlude.attempts):
                self.tell_failed(attempt)

    def _tell_sent(
        self, attempt: Attempt, finished: list[Station], landed: Landed, now_ns: int
    ) -> None:
        """Senders have seen their frames through: a record for each frame."""
        for station in finished:
            attempt.left.remove(station)
        attempt.sent = True
        if attempt.failed is None:
            attempt.told = not attempt.left
        for frame in dict.fromkeys(station.outgoing.frame for station in finished):
            same = [station for station in finished if station.outgoing.frame == frame]
            delivery = landed.pop((attempt.start_ns, frame), NOBODY)
            self._tell(attempt, same, frame, now_ns, None, delivery)

    def _tell_lost(self, attempt: Attempt, now_ns: int) -> None:
        """All its senders have lost arbitration. If nobody has won it, a disturbance did."""
        rivals = [a for a in self._interlude.attempts if a.start_ns == attempt.start_ns]
        if all(a.gave_way and (a.told or a.word >= attempt.word) for a in rivals):
            attempt.fail_whole("disturbed", now_ns)
        else:
            attempt.told = True

    def tell_failed(self, attempt: Attempt) -> None:
        """An attempt has failed, and nobody has got its frame: one record for all its senders."""
        attempt.told = True
        senders = attempt.senders_of()
        frame = senders[0].outgoing.frame
        self._tell(attempt, senders, frame, attempt.error_ns, attempt.cause, NOBODY)

    def _origin(self, start_ns: int, frame: Frame) -> Attempt:
        """Whose frame it is that somebody has heard. Nodes at another bit rate may have seen its
        start of frame in another bit.
        """
        return max(
            self._interlude.attempts,
            key=lambda it: (it.carries(frame), it.start_ns == start_ns, it.start_ns),
        )

    def _tell(
        self,
        attempt: Attempt,
        senders: list[Station],
        frame: Frame,
        end_ns: int,
        error: Cause | None,
        delivery: Delivery,
    ) -> None:
        bus = self._interlude.segment.bus
        if not bus.observers:
            return
        receivers, overrun = delivery
        record = BusRecord(
            attempt.start_ns,
            end_ns,
            senders[0].controller.name,
            frame,
            tuple(receiver.name for receiver in receivers),
            error,
            overrun,
            tuple(sender.controller.name for sender in senders[1:]),
        )
        for observer in bus.observers:
            observer(record)
