"""The protocol machine: one controller bit by bit, what it drives and what it makes of each bit.

    idle --> sending -------------> intermission --> (suspended) --> idle
     |          |  arbitration lost      ^   |
     |          v                        |   | 1st or 2nd bit dominant: overload
     '--> receiving ---------------------'   v
                |                       flag --> flags of others --> delimiter --> intermission
                '-- error --------------^                                |
                                        '--- 8th bit dominant: overload -'

Each state is a method that takes the bit seen (0 dominant, 1 recessive) at its end; ``step`` is the
present one, and ``drive`` what the station sends during the next bit.

Rules: Bosch CAN Specification 2.0, part B sections 3.1.1 (data frame), 3.1.3 (error frame), 3.1.4
(overload frame), 3.1.5 (interframe space), 4 (when a frame is valid), 6 (errors), 8 (fault
confinement, whose rule numbers are given), and its addendum of 1997.

A controller that only listens acknowledges nothing and sends no flags, but counts its errors.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from linkloss.bus.controller import NOTHING, PASSIVE_LEVEL, Controller, ErrorState
from linkloss.bus.frame import Frame
from linkloss.bus.reception import FdReception, Heard, Outgoing, Reception
from linkloss.bus.record import Cause
from linkloss.clock.queue import Event

END_BITS = 7
"""End of frame."""
FLAG_BITS = 6
DELIMITER_BITS = 8
INTERMISSION_BITS = 3
SUSPEND_BITS = 8
"""An error-passive sender waits this much longer after an intermission, for others to go first."""
GROUPS = 128
GROUP_BITS = 11
"""So many recessive bits in a row: no node sends."""
TOLERATED_BITS = 8
"""Rule 6: the counters go up after each so many dominant bits that follow an error flag."""


class Recovery:
    """How far the recovery of one controller has come."""

    __slots__ = ("controller", "event", "recessive", "remaining", "since_ns")

    def __init__(self, controller: Controller, now_ns: int) -> None:
        self.controller = controller
        self.remaining = GROUPS
        self.since_ns = now_ns
        """Since when it has been listening, or since when the segment has been idle."""
        self.event: Event | None = None
        """The end of the recovery, if the segment stays idle."""
        self.recessive = 0
        """Bit by bit: how many recessive bits of a group there have been."""

    def hear(self, seen: int) -> bool:
        """Bit by bit: count a bit that was seen. True when the recovery is complete."""
        self.recessive = self.recessive + 1 if seen else 0
        if self.recessive == GROUP_BITS:
            self.recessive = 0
            self.remaining -= 1
        return self.remaining == 0


class Follower(Protocol):
    """Follows the stations of a piece of cable bit by bit; they report to it what they do."""

    @property
    def bit_ns(self) -> int:
        """When the present bit began."""

    @property
    def counted(self) -> bool:
        """Whether receive error counters have gone down for the frame already."""

    def sent(self, station: Station) -> None:
        """A sender has seen its frame through."""

    def accepted(self, station: Station, frame: Frame) -> None:
        """A receiver has seen a frame through to its last bit but one."""

    def failed(self, station: Station, cause: Cause, *, count: bool) -> None:
        """A sender has noticed an error in the bit that ends now."""

    def lost(self, station: Station) -> None:
        """A sender has lost arbitration."""

    def join_in(self, station: Station) -> None:
        """A station takes the start of frame that it has just seen for its own."""

    def recovered(self, found: Recovery) -> None:
        """A controller is back from bus-off."""


class Station:
    """A controller that is followed bit by bit. ``mask`` is its bit in its follower's sets."""

    __slots__ = (
        "_count",
        "_frame",
        "_last",
        "_overload",
        "_pardoned",
        "_passed",
        "_place",
        "_reception",
        "controller",
        "drive",
        "followed",
        "idle",
        "mask",
        "outgoing",
        "pace",
        "recovery",
        "resting",
        "start_ns",
        "step",
        "transmitter",
    )

    step: Callable[[int], None]
    outgoing: Outgoing
    _reception: Reception

    def __init__(self, controller: Controller, followed: Follower, mask: int) -> None:
        self.controller = controller
        self.followed = followed
        self.mask = mask
        self.transmitter = False
        """Whether it counts as the sender of the present frame, or was the last one."""
        self.start_ns = 0
        """The last start of frame that it took part in."""
        self.recovery: Recovery | None = None
        self.pace: tuple[int, int] | None = None
        """Its own bit rate and that of the bus, where they differ."""
        self._passed = 0
        self._count = self._last = 0
        self._overload = self._pardoned = False
        self._place = 0
        self._frame: Frame | None = None
        self.rest()

    # ---- entrances

    def rest(self) -> None:
        """Bus idle: it may start to send, and a dominant bit is a start of frame."""
        self.drive, self.step, self.resting, self.idle = 1, self._idle, True, True

    def leave(self) -> None:
        """Switched off, or bus-off: it sees and sends nothing. Coming back from bus-off counts."""
        self.drive, self.step, self.resting, self.idle = 1, self._gone, True, False
        self.transmitter, self.recovery = False, None

    def integrate(self, recessive: int = 0) -> None:
        """Switched on: it takes part after eleven recessive bits, of which it has seen
        ``recessive``.
        """
        self.drive, self.step, self.resting, self.idle = 1, self._integrate, True, False
        self._count = recessive
        self.transmitter = False

    def recover(self, recovery: Recovery) -> None:
        """Bus-off, on the way back: rule 12."""
        self.leave()
        self.recovery, self.step = recovery, self._recover

    def suspend(self, bits: int = SUSPEND_BITS) -> None:
        """After a frame of its own as an error-passive sender: idle, but it may not send yet."""
        self.drive, self.step, self.resting, self.idle = 1, self._suspended, True, False
        self._count = SUSPEND_BITS - bits

    def resume(self, bits: int, *, sender: bool) -> None:
        """Its intermission is over in ``bits`` bits, at least one. It is in the middle of that, or
        of the error frame of a sender without receivers.
        """
        self.transmitter = sender
        if bits <= INTERMISSION_BITS:
            self._pause()
            self._count = INTERMISSION_BITS - bits
        elif bits < INTERMISSION_BITS + DELIMITER_BITS:
            self.drive, self.step, self.resting, self.idle = 1, self._delimiter, False, False
            self._count = INTERMISSION_BITS + DELIMITER_BITS - bits
        else:
            self._overload = False
            self._flag(active=self._flags_actively())
            self._count = INTERMISSION_BITS + DELIMITER_BITS + FLAG_BITS - bits
            if self._count == FLAG_BITS:
                self._flagged()

    def set_pace(self, bit_rate: int) -> None:
        """Run at the controller's own bit rate, on a bus that has another."""
        own = self.controller.bit_rate
        self.pace = None if own in (None, bit_rate) else (own, bit_rate)

    def step_own_bits(self, seen: int) -> None:
        """Step by its own bits: one bit of the bus may be more or fewer of them."""
        if self.pace is None:
            self.step(seen)
            return
        own, bus = self.pace
        self._passed += own
        while self._passed >= bus:
            self._passed -= bus
            self.step(seen)

    # ---- what the follower asks

    @property
    def may_start(self) -> bool:
        """Whether it is idle and has something to send."""
        return self.idle and self.controller.next_word < NOTHING

    @property
    def suspended_bits(self) -> int:
        """For how many bits more it must not send; 0 if it may."""
        return SUSPEND_BITS - self._count if self.step == self._suspended else 0

    @property
    def settled(self) -> bool:
        """Whether nothing changes for it while the bus stays dominant."""
        if self.step == self._after_flag:
            return self.controller.rec >= PASSIVE_LEVEL and not self.transmitter
        return self.step in (self._gone, self._integrate, self._recover)

    # ---- at rest

    def _idle(self, seen: int) -> None:
        if not seen:
            self._receive()

    def _gone(self, seen: int) -> None:
        """Ignores every bit."""

    def _suspended(self, seen: int) -> None:
        self._count += 1
        if not seen:
            self._receive()
        elif self._count == SUSPEND_BITS:
            self.rest()

    def _integrate(self, seen: int) -> None:
        self._count = self._count + 1 if seen else 0
        if self._count == GROUP_BITS:
            self.rest()

    def _recover(self, seen: int) -> None:
        assert self.recovery is not None
        if self.recovery.hear(seen):
            found, self.recovery = self.recovery, None
            self.rest()
            self.followed.recovered(found)

    # ---- flags

    def _mistake(self) -> None:
        """Rule 1: a receiver has detected an error."""
        active = self._flags_actively()
        self.controller.count_receive_error()
        self._overload = False
        self._flag(active=active)

    def _flags_actively(self) -> bool:
        return self.controller.state is ErrorState.ACTIVE and not self.controller.listen_only

    def _flag(self, *, active: bool) -> None:
        if not self.controller.online:
            self._driven_off()
            return
        self._count, self.resting, self.idle = 0, False, False
        if active:
            self.drive, self.step = 0, self._active_flag
        else:
            self.drive, self.step = 1, self._passive_flag

    def _overloaded(self) -> None:
        """An overload flag: always dominant, and not an error (part B section 3.1.4)."""
        self._overload = True
        self._flag(active=not self.controller.listen_only)

    def _active_flag(self, seen: int) -> None:
        if seen:  # rules 4 and 5; the flag starts again
            active = self._flags_actively()
            self._overload = False
            self._count_eight()
            self._flag(active=active)
            return
        self._count += 1
        if self._count == FLAG_BITS:
            self._flagged()

    def _passive_flag(self, seen: int) -> None:
        """Complete with six equal bits, whoever sends them."""
        self._count = self._count + 1 if self._count and seen == self._last else 1
        self._last = seen
        if self._pardoned and not seen:
            self._pardoned = False
            self.controller.count_transmit_error()
        if not self.controller.online:
            self._driven_off()
        elif self._count == FLAG_BITS:
            self._pardoned = False
            self._flagged()

    def _flagged(self) -> None:
        self.drive, self.step, self._count = 1, self._after_flag, 0

    def _after_flag(self, seen: int) -> None:
        """Others may still send their flags; the first recessive bit begins the delimiter."""
        if seen:
            self.step, self._count = self._delimiter, 1
            return
        self._count += 1
        if self._count == 1 and not self.transmitter and not self._overload:
            self.controller.count_receive_error(8)  # rule 2
        if self._count % TOLERATED_BITS == 0:
            self._count_eight()  # rule 6

    def _delimiter(self, seen: int) -> None:
        self._count += 1
        if not seen:
            if self._count == DELIMITER_BITS:
                self._overloaded()
            elif self.transmitter:
                active = self._flags_actively()
                self.controller.count_transmit_error()
                self._overload = False
                self._flag(active=active)
            else:
                self._mistake()
        elif self._count == DELIMITER_BITS:
            self._pause()

    # ---- intermission

    def _pause(self) -> None:
        self.drive, self.step, self._count = 1, self._intermission, 0
        self.resting = self.idle = False

    def _intermission(self, seen: int) -> None:
        self._count += 1
        waits = self.transmitter and self.controller.state is ErrorState.PASSIVE
        if not seen:
            if self._count < INTERMISSION_BITS:
                self._overloaded()
            elif waits or self.controller.next_word == NOTHING:
                self._receive()
            else:  # another one's start of frame, and its own as well
                self._join_in()
        elif self._count == INTERMISSION_BITS:
            if waits:
                self.suspend()
            else:
                self.rest()

    # ---- counting

    def _count_eight(self) -> None:
        if self.transmitter:
            self.controller.count_transmit_error()
        else:
            self.controller.count_receive_error(8)
        if not self.controller.online:
            self._driven_off()

    def _driven_off(self) -> None:
        """Its errors have driven it off the bus; it may be recovering already."""
        if self.step not in (self._gone, self._recover):
            self.leave()

    def begin(self, outgoing: Outgoing, start_ns: int, place: int = 0) -> None:
        """Send a frame, from its start of frame (place 0) or from just after another one's (1)."""
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
            self.followed.sent(self)
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
            self.followed.lost(self)

    def _unacknowledged(self) -> None:
        # rule 3, exception 1: an error-passive sender that only misses its acknowledgement and
        # sees no dominant bit during its error flag
        self._pardoned = self.controller.state is ErrorState.PASSIVE
        self._fail("ack", count=not self._pardoned)

    def _fail(self, cause: Cause, *, count: bool = True) -> None:
        active = self._flags_actively()  # rule 9: as it was before this error
        self.followed.failed(self, cause, count=count)
        self._overload = False
        self._flag(active=active)

    def _join_in(self) -> None:
        self.followed.join_in(self)

    # ---- receiving

    def _receive(self, seen: tuple[int, ...] = (0,)) -> None:
        """It has seen a start of frame, and more if it was sending itself."""
        if len(seen) == 1:
            self.start_ns = self.followed.bit_ns
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
        if self._frame is not None and self.controller.rec and not self.followed.counted:
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
                self.followed.accepted(self, self._frame)
            return
        if seen:
            self._pause()
        else:
            self._overloaded()
