"""One start of frame in an interlude: who sends from there on, what becomes of it.

Controllers that start together and send the same arbitration field are one attempt, whatever the
rest of their frames: it is told as one record, with the others as rivals. Where one of them fails
and another one gets its frame through, both are told.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from linkloss.bus.frame import Frame
    from linkloss.bus.protocol import Station
    from linkloss.bus.record import Cause


class Attempt:
    """Senders with one arbitration field and one start of frame."""

    __slots__ = (
        "borrowed",
        "cause",
        "due_ns",
        "error_ns",
        "failed",
        "left",
        "senders",
        "sent",
        "start_ns",
        "told",
    )

    def __init__(self, start_ns: int, senders: list[Station]) -> None:
        self.start_ns = start_ns
        self.senders = senders
        """Those who started, without those who lost arbitration since. Cable order."""
        self.left = list(senders)
        """Those of them who still send."""
        self.failed: Station | None = None
        """Who failed first, why, and when."""
        self.cause: Cause = "disturbed"
        self.error_ns = 0
        self.due_ns: int | None = None
        """When the failure is told, if nobody gets the frame until then all the same."""
        self.sent = False
        """Whether one of them has got its frame through."""
        self.told = False
        """Whether observers know what has become of it, as far as it is not heard later."""
        self.borrowed = False
        """Whether its senders are on another piece of the cable by now: told only if heard."""

    @property
    def word(self) -> int:
        """The arbitration field that they send."""
        return self.senders[0].outgoing.frame.head.word

    @property
    def pending(self) -> bool:
        """Whether there is something more to tell of it."""
        return bool(self.left) or not self.told

    @property
    def gave_way(self) -> bool:
        """Whether all of them have lost arbitration."""
        return not self.left and self.failed is None and not self.sent

    @property
    def differs(self) -> bool:
        """Whether its senders send different frames."""
        return any(s.outgoing.frame != self.senders[0].outgoing.frame for s in self.senders[1:])

    def fail(self, station: Station, cause: Cause, now_ns: int, due_ns: int) -> None:
        """A sender has noticed an error; the first one is told, now or later."""
        self.left.remove(station)
        if self.failed is None:
            self.failed, self.cause, self.error_ns, self.due_ns = station, cause, now_ns, due_ns

    def fail_whole(self, cause: Cause, now_ns: int) -> None:
        """Nobody sends any more, for a reason that is nobody's error: it is told at once."""
        self.failed, self.cause = self.senders[0], cause
        self.error_ns = self.due_ns = now_ns

    def seen_from_afar(self) -> Attempt:
        """The same attempt on a piece of the cable that has lost its senders: whoever there takes
        the rest of the bus for the end of the frame has got it.
        """
        found = Attempt(self.start_ns, list(self.senders))
        found.left.clear()
        found.cause, found.told, found.borrowed = "broken_off", True, True
        return found

    def leave(self, station: Station) -> None:
        """A sender has gone."""
        self.left.remove(station)
        if self.left:
            self.senders.remove(station)

    def part(self, station: Station, attempts: list[Attempt]) -> None:
        """A sender goes on on another piece of the cable, with others that do."""
        self.left.remove(station)
        attempts[:] = [it for it in attempts if not (it.borrowed and it.start_ns == self.start_ns)]
        for other in attempts:
            if other.start_ns == self.start_ns and station.same_field(other.senders[0]):
                other.senders.append(station)
                other.left.append(station)
                return
        attempts.append(Attempt(self.start_ns, [station]))

    def outranks(self, other: Attempt) -> bool:
        """Whether it fails together with another one that it would have won against: then only it
        is told.
        """
        return (
            self.start_ns == other.start_ns
            and self.failed is not None
            and self.error_ns == other.error_ns
            and self.word < other.word
        )

    def carries(self, frame: Frame) -> bool:
        """Whether one of its senders sends this frame."""
        return any(sender.outgoing.frame == frame for sender in self.senders)

    def lose(self, station: Station) -> None:
        """A sender has lost arbitration: it goes on as a receiver and was never part of it."""
        self.left.remove(station)
        if len(self.senders) > 1:
            self.senders.remove(station)

    def senders_of(self, frame: Frame | None = None) -> list[Station]:
        """Those who send a frame, the first one that failed in front; all, if nobody does."""
        first = self.failed
        ordered = list(self.senders)
        if first is not None:
            ordered = [first, *(sender for sender in ordered if sender is not first)]
        if frame is None or (first is not None and first.outgoing.frame == frame):
            return ordered
        return [sender for sender in ordered if sender.outgoing.frame == frame] or ordered
