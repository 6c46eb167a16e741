"""What becomes of frames in an interlude: handing them over, and telling observers of them.

A receiver takes a frame for valid after the last but one bit of its end of frame (Bosch CAN
Specification 2.0, part B section 4), whatever the last bit brings. It is handed over one bit later,
as everywhere on this wire: so a frame that a receiver has accepted while its sender saw an error,
and repeats it, arrives twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.wire.delivery import deliver
from bench.wire.record import WireRecord

if TYPE_CHECKING:
    from bench.wire.attempt import Attempt
    from bench.wire.controller import Controller
    from bench.wire.frame import Frame
    from bench.wire.interlude import Interlude
    from bench.wire.station import Station


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
        woken = self._land(now_ns)
        attempts = tuple(self._interlude.attempts)
        for attempt in attempts:
            finished = [station for station, _ in sent if station in attempt.left]
            if finished:
                self._tell_sent(attempt, finished, now_ns)
            elif not attempt.left and attempt.failed is None and _is_last(attempt, attempts):
                attempt.fail_whole("disturbed", now_ns)
            if attempt.due_ns is not None and attempt.due_ns <= now_ns:
                if any(other.outranks(attempt) for other in attempts):
                    attempt.due_ns = None
                else:
                    self.tell_failed(attempt)
            if not attempt.left and attempt.due_ns is None:
                self._interlude.attempts.remove(attempt)
        for station, queued in sent:
            if station.controller.on_sent is not None:
                station.controller.on_sent(queued)
        for receiver in woken:
            if receiver.on_receive is not None and receiver.powered:
                receiver.on_receive(receiver)

    def _land(self, now_ns: int) -> list[Controller]:
        """Hand over what is due. Returns whose programs are to be told."""
        if not self._due:
            return []
        landing = [(s, frame) for due_ns, s, frame in self._due if due_ns <= now_ns]
        self._due = [each for each in self._due if each[0] > now_ns]
        frames: dict[tuple[int, Frame], list[Controller]] = {}
        for station, frame in landing:
            if station.controller.online:
                key = (station.start_ns, frame)
                frames.setdefault(key, []).append(station.controller)
        woken = []
        for (start_ns, frame), accepting in frames.items():
            receivers = self._interlude.segment.wire.hearing(frame, tuple(accepting))
            told, overrun = deliver(now_ns, frame, receivers)
            woken += told
            for attempt in self._interlude.attempts:
                if attempt.start_ns == start_ns and attempt.carries(frame):
                    attempt.receivers += [(receiver, frame) for receiver in receivers]
                    attempt.overrun += overrun
        return woken

    def _tell_sent(self, attempt: Attempt, finished: list[Station], now_ns: int) -> None:
        """Senders have seen their frames through: a record for each frame."""
        for station in finished:
            attempt.left.remove(station)
        for frame in dict.fromkeys(station.outgoing.frame for station in finished):
            same = [station for station in finished if station.outgoing.frame == frame]
            self._tell(attempt, same, now_ns, failed=False)

    def tell_failed(self, attempt: Attempt) -> None:
        """An attempt has failed: one record for all its senders."""
        first = attempt.failed
        assert first is not None
        attempt.due_ns = None
        if attempt.borrowed and not attempt.receivers:
            return
        senders = [first, *attempt.rivals_of(first)]
        end_ns = self._interlude.end_ns if attempt.receivers else attempt.error_ns
        self._tell(attempt, senders, end_ns, failed=True)

    def _tell(self, attempt: Attempt, senders: list[Station], end_ns: int, *, failed: bool) -> None:
        wire = self._interlude.segment.wire
        if not wire.observers:
            return
        frame = senders[0].outgoing.frame
        receivers = attempt.heard(frame)
        record = WireRecord(
            attempt.start_ns,
            end_ns,
            senders[0].controller.name,
            frame,
            tuple(receiver.name for receiver in receivers),
            attempt.cause if failed else None,
            attempt.overrun,
            tuple(sender.controller.name for sender in senders[1:]),
        )
        for observer in wire.observers:
            observer(record)


def _is_last(attempt: Attempt, attempts: tuple[Attempt, ...]) -> bool:
    """Whether all its senders lost arbitration and nobody won it: a disturbance did."""
    return not any(
        other is not attempt and other.start_ns == attempt.start_ns for other in attempts
    )
