"""One controller bit by bit: what it drives, and what it makes of each bit that it sees.

    idle --> sending -------------> intermission --> idle
     |          |  arbitration lost      ^
     |          v                        |
     '--> receiving ---------------------'           errors: bystander.py

Rules: Bosch CAN Specification 2.0, part B sections 3.1.1 (data frame), 4 (when a frame is valid),
6 (errors), 8 (fault confinement, whose rule numbers are given), and its addendum of 1997.

A controller that only listens does not acknowledge.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkloss.bus.bystander import Bystander
from linkloss.bus.confinement import ErrorState
from linkloss.bus.reception import FdReception, Heard, Outgoing, Reception

if TYPE_CHECKING:
    from linkloss.bus.controller import Controller
    from linkloss.bus.frame import Frame
    from linkloss.bus.interlude import Interlude
    from linkloss.bus.record import Cause

END_BITS = 7
"""End of frame."""


class Station(Bystander):
    """A controller in an interlude."""

    __slots__ = ("_frame", "_place", "_reception", "outgoing")

    outgoing: Outgoing
    _reception: Reception

    def __init__(self, controller: Controller, interlude: Interlude, mask: int) -> None:
        super().__init__(controller, interlude, mask)
        self._place = 0
        self._frame: Frame | None = None

    def begin(self, outgoing: Outgoing, start_ns: int, place: int = 0) -> None:
        """Send a frame, from its start of frame (place 0) or from behind another one's (1)."""
        self.outgoing, self.start_ns, self._place = outgoing, start_ns, place
        self.drive, self.step = outgoing.bits[place], self._transmit
        self.resting = self.idle = False
        self.transmitter = True

    @property
    def sending(self) -> bool:
        """Whether a frame of its own is on the bus."""
        return self.step == self._transmit

    @property
    def place(self) -> int:
        """How many bits of its own frame are over."""
        return self._place

    @property
    def fast(self) -> bool:
        """Whether its next bit has the data bit rate of CAN FD."""
        if self.step == self._transmit:
            first, end = self.outgoing.fast
            return first <= self._place < end
        return self.step in (self._hear, self._crc_delimiter) and self._reception.fast

    def same_field(self, other: Station) -> bool:
        """Whether both send the same arbitration field."""
        return self.outgoing.frame.head.word == other.outgoing.frame.head.word

    # ---- sending

    def _transmit(self, seen: int) -> None:
        outgoing, place = self.outgoing, self._place
        if seen == self.drive:
            if place == outgoing.ack:
                self._unacknowledged()
                return
        elif place != outgoing.ack:
            self._contradicted(place)
            return
        self._place = place = place + 1
        if place < len(outgoing.bits):
            self.drive = outgoing.bits[place]
        else:
            self.interlude.sent(self)
            self._pause()

    def _contradicted(self, place: int) -> None:
        """Another level than the one sent: arbitration is lost, or it is an error."""
        outgoing = self.outgoing
        if not self.drive or place >= outgoing.contest:
            self._fail("disturbed")
        elif place in outgoing.stuff:  # rule 3, exception 2
            self._fail("disturbed", count=False)
        else:
            self._receive((*outgoing.bits[:place], 0))
            self.interlude.lost(self)

    def _unacknowledged(self) -> None:
        # rule 3, exception 1: an error-passive sender that only misses its acknowledgement and
        # sees no dominant bit during its error flag
        self._pardoned = self.controller.state is ErrorState.PASSIVE
        self._fail("ack", count=not self._pardoned)

    def _fail(self, cause: Cause, *, count: bool = True) -> None:
        active = self._flags_actively()  # rule 9: as it was before this error
        self.interlude.failed(self, cause, count=count)
        self._overload = False
        self._flag(active=active)

    def _join_in(self) -> None:
        self.interlude.join_in(self)

    # ---- receiving

    def _receive(self, seen: tuple[int, ...] = (0,)) -> None:
        """It has seen a start of frame, and more where it was sending itself."""
        if len(seen) == 1:
            self.start_ns = self.interlude.bit_ns
        self.drive, self.step = 1, self._hear
        self.resting = self.idle = False
        self.transmitter = False
        self._reception = FdReception(seen) if self.controller.fd else Reception(seen)

    def _hear(self, seen: int) -> None:
        heard = self._reception.hear(seen)
        if heard is Heard.END:
            self.step = self._crc_delimiter
        elif heard is not Heard.MORE:
            self._mistake()

    def _crc_delimiter(self, seen: int) -> None:
        if not seen:
            self._mistake()
            return
        self._frame = self._reception.frame()
        self.drive = int(self._frame is None or self.controller.listen_only)
        self.step = self._ack_slot

    def _ack_slot(self, seen: int) -> None:
        contradicted, self.drive = seen > self.drive, 1
        if contradicted:
            self._mistake()
            return
        if self._frame is not None and self.controller.rec and not self.interlude.counted:
            self.controller.count_received()
        self.step = self._ack_delimiter

    def _ack_delimiter(self, seen: int) -> None:
        if not seen or self._frame is None:  # a CRC error shows only here: part B section 6.2
            self._mistake()
        else:
            self.step, self._count = self._end_of_frame, 0

    def _end_of_frame(self, seen: int) -> None:
        self._count += 1
        if self._count < END_BITS:
            if not seen:
                self._mistake()
            elif self._count == END_BITS - 1:
                assert self._frame is not None
                self.interlude.accepted(self, self._frame)
            return
        if seen:
            self._pause()
        else:
            self._overloaded()
