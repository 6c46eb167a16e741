"""The controllers that hear each other at the moment: arbitration and delivery.

A segment is idle, or carries a frame, or waits for the end of an intermission. An undisturbed frame
costs two events:

    start of frame                      end of frame        end of intermission
    :meth:`Segment._arbitrate` -------> :meth:`_complete` -----> :meth:`_arbitrate`
                    length of the frame             3 bits

All instants of a frame are counted from its start of frame, so that rounding to whole nanoseconds
does not add up. Where something may go wrong, at a start of frame or in its midst, the segment is
followed bit by bit until all is idle again: interlude.py. One case is frequent and simple enough
to be worked out as a whole, too: a node that nobody hears.

    start of frame ... ACK slot | flag 6 | delimiter 8 | intermission 3 | suspend 8 if passive

A frame counts as valid, for its sender and all receivers, at the end of its end of frame. By the
standard a receiver may use it one bit earlier (Bosch CAN Specification 2.0, part B section 4);
that bit is left out, and makes no difference to who gets what.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkloss.bus import following, recovery
from linkloss.bus.bystander import DELIMITER_BITS, FLAG_BITS, SUSPEND_BITS
from linkloss.bus.controller import NOTHING, Controller, ErrorState
from linkloss.bus.delivery import Audience, deliver
from linkloss.bus.frame import INTERMISSION_BITS, TAIL_BITS, BitClock, Frame, length_bits
from linkloss.bus.reception import outgoing
from linkloss.bus.record import BusRecord, Cause
from linkloss.clock.queue import Event, EventQueue, Priority

if TYPE_CHECKING:
    from linkloss.bus.cable import Wiring
    from linkloss.bus.interlude import Interlude
    from linkloss.bus.medium import Bus

_PASSIVE = ErrorState.PASSIVE
_BEHIND_SLOT_BITS = TAIL_BITS - 2
"""From the end of the ACK slot to the end of the frame."""
_ARBITRATION = int(Priority.ARBITRATION)
_BUS = int(Priority.BUS)


class Segment:
    """One electrically connected piece of the bus."""

    __slots__ = (
        "audience",
        "bus",
        "counted",
        "counting",
        "due",
        "event",
        "frame",
        "idle",
        "interlude",
        "length",
        "members",
        "ns",
        "queue",
        "recoveries",
        "rivals",
        "sender",
        "start_ns",
        "suspended",
        "transmitters",
        "wiring",
    )

    audience: Audience
    event: Event
    sender: Controller

    def __init__(self, bus: Bus, members: tuple[Controller, ...]) -> None:
        self.bus = bus
        self.queue: EventQueue = bus.queue
        self.members = members
        self.idle = True
        self.due: Event | None = None
        self.recoveries: list[recovery.Recovery] = []
        self.suspended: dict[Controller, int] = {}
        """Error-passive senders, and the instant until which each has to wait."""
        self.transmitters: tuple[Controller, ...] = ()
        """Who has sent the last frame, until its intermission is over."""
        self.interlude: Interlude | None = None
        self.wiring: Wiring | None = None
        """What the members see of what they drive; None: all see the same."""
        # the frame in flight, None when there is none, and all that belongs to it
        self.frame: Frame | None = None
        self.start_ns = 0
        self.length = 0
        self.ns: BitClock = bus.ns
        self.rivals: tuple[Controller, ...] = ()
        self.counting: Event | None = None
        """The end of its ACK slot, if a receive error counter falls there."""
        self.counted = False
        """Whether that has happened."""

    # ---- for controllers

    def request(self) -> None:
        """A controller has something to send on the idle segment: arbitrate at this instant."""
        self.schedule(self.queue.now_ns)

    def recover(self, controller: Controller) -> None:
        """A bus-off controller begins to count recessive bits."""
        recovery.begin(self, controller)

    def leave(self, controller: Controller) -> None:
        """A controller drops out at once: switched off, forced bus-off or taken away."""
        self.suspended.pop(controller, None)
        if self.frame is not None:
            following.lose(self, controller)
        if self.interlude is not None:
            self.interlude.leave(controller)
        recovery.drop(self, controller)
        self.forget_audiences()

    def enter(self, controller: Controller) -> None:
        """A controller was switched on."""
        if self.interlude is not None and controller.online:
            self.interlude.station(controller).integrate()
        self.forget_audiences()

    def rewired(self, wiring: Wiring | None) -> None:
        """The wiring has changed: what is in flight goes on bit by bit with it."""
        if wiring is None and self.wiring is None:
            return
        self.forget_audiences()
        if self.frame is not None or (wiring is not None and wiring.forced):
            following.from_here(self)
        self.wiring = wiring
        if self.interlude is not None:
            self.interlude.rewired()

    def close(self) -> None:
        """The cable has changed, its members are on other segments."""
        if self.due is not None:
            self.queue.cancel(self.due)
            self.due = None
        if self.interlude is not None:
            self.interlude.hand_over()

    def forget_audiences(self) -> None:
        """Who takes part has changed. It counts from the next start of frame on."""
        for member in self.members:
            member.audience = None

    # ---- the course of a frame

    def _arbitrate(self) -> None:
        self.due = None
        if self.recoveries:
            recovery.bus_free(self)
        members = self._unsuspended() if self.suspended else self.members
        best = NOTHING
        winner = None
        tied = False
        for member in members:
            word = member.next_word
            if word < best:
                best = word
                winner = member
                tied = False
            elif word == best:
                tied = True
        if winner is None:
            self._rest()
        else:
            self.rivals = self._rivals(members, winner) if tied else ()
            self._start(winner)

    def _start(self, sender: Controller) -> None:
        queue = self.queue
        bus = self.bus
        self.idle = False
        self.sender = sender
        ns: BitClock
        self.ns = ns = bus.ns
        self.start_ns = start_ns = queue.now_ns
        if self.recoveries:
            recovery.start_of_frame(self)
        frame = sender.begin()
        self.audience = audience = sender.audience or self._audience_of(sender)
        fd = frame.head.fd
        if bus.transforms or fd:
            frame = bus.as_sent(sender, frame)
            if fd:
                self.ns = ns = bus.clock(frame)
        self.frame = frame
        self.counted = False
        self.length = length = length_bits(frame)
        if (
            self.rivals
            or bus.disturbances
            or bus.noises
            or self.wiring is not None
            or not audience.acknowledged
            or fd
        ) and following.is_exceptional(self, frame):
            return
        if self.suspended:
            self.suspended = {}
        if audience.counting:
            slot_ns = start_ns + ns[length - _BEHIND_SLOT_BITS]
            self.counting = queue.at(slot_ns, self._acknowledge, priority=_BUS)
        self.event = queue.at(start_ns + ns[length], self._complete, priority=_BUS)

    def _acknowledge(self) -> None:
        """The end of the ACK slot. Rule 8: a frame counts as received from here on."""
        self.counting, self.counted = None, True
        for receiver in self.audience.receivers:
            if receiver.rec:
                receiver.count_received()
        self.forget_audiences()

    def _complete(self) -> None:
        bus = self.bus
        queue = self.queue
        sender = self.sender
        frame = self.frame
        assert frame is not None
        self.frame = None
        queued = sender.finish_sending()
        for rival in self.rivals:
            rival.finish_sending()
        receivers = self.audience.receivers
        if bus.misses:
            receivers = bus.hearing(frame, receivers)
        woken, overrun = deliver(queue.now_ns, frame, receivers)
        self.free_after(self.length + INTERMISSION_BITS)
        if bus.observers:
            self.report(frame, None, receivers, overrun)
        if sender.on_sent is not None:
            sender.on_sent(queued)
        for rival in self.rivals:
            if rival.on_sent is not None:
                rival.on_sent(queued)
        for receiver in woken:
            if receiver.on_receive is not None and receiver.powered:
                receiver.on_receive(receiver)

    # ---- frames that are no matter of course

    def unheard(self) -> None:
        """Nobody is there to acknowledge the frame: rule 3, and its exception 1."""
        frame, sender = self.frame, self.sender
        assert frame is not None
        self.frame = None
        sender.fail_sending(count=sender.state is not _PASSIVE)
        behind = 1 + FLAG_BITS + DELIMITER_BITS + INTERMISSION_BITS
        self.free_after(outgoing(frame).ack + behind)
        if self.bus.observers:
            self.report(frame, "ack")

    def take_over(self, interlude: Interlude) -> None:
        """An interlude begins: what was planned for whole frames is off."""
        self.interlude, self.idle = interlude, False
        self.suspended = {}
        if self.counting is not None:
            self.queue.cancel(self.counting)
            self.counting = None
        if self.frame is not None:
            self.queue.cancel(self.event)
            self.frame = None
        if self.due is not None:
            self.queue.cancel(self.due)
            self.due = None

    def take_back(self, suspended: dict[Controller, int]) -> None:
        """An interlude is over: all are idle, some of them not to send for so many bits more."""
        now_ns = self.queue.now_ns
        self.interlude, self.idle = None, True
        self.suspended = {
            sender: now_ns + self.bus.span_ns(bits) for sender, bits in suspended.items()
        }
        self.forget_audiences()
        self.schedule(now_ns)

    # ---- parts of it

    def free_after(self, frame_bits: int) -> None:
        """The bus is free again so many bits after the start of frame that went before.

        Senders that are error-passive by now have to wait ``SUSPEND_BITS`` more.
        """
        start_ns = self.start_ns
        self.transmitters = (self.sender, *self.rivals) if self.rivals else (self.sender,)
        if self.sender.state is _PASSIVE or self.rivals:
            until_ns = start_ns + self.ns[frame_bits + SUSPEND_BITS]
            passive = (sender for sender in self.transmitters if sender.state is _PASSIVE)
            self.suspended = dict.fromkeys(passive, until_ns)
        self.due = self.queue.at(
            start_ns + self.ns[frame_bits], self._arbitrate, priority=_ARBITRATION
        )

    def free_at(self, when_ns: int) -> None:
        """The bus is not free before an instant. May be called at any moment without a frame."""
        if when_ns <= self.queue.now_ns and self.due is None:
            self._rest()
            if any(member.next_word < NOTHING for member in self.members):
                self.request()
            return
        self.idle = False
        if self.due is not None:
            self.queue.cancel(self.due)
        self.due = self.queue.at(when_ns, self._arbitrate, priority=_ARBITRATION)

    def schedule(self, when_ns: int) -> None:
        """Arbitrate at an instant, or earlier if that is planned already."""
        if self.due is not None:
            if self.due[0] <= when_ns:
                return
            self.queue.cancel(self.due)
        self.due = self.queue.at(when_ns, self._arbitrate, priority=_ARBITRATION)

    def report(
        self,
        frame: Frame,
        error: Cause | None,
        receivers: tuple[Controller, ...] = (),
        overrun: tuple[str, ...] = (),
    ) -> None:
        """Tell the observers about the frame that has just ended."""
        audience = self.audience
        if receivers is audience.receivers:
            names = audience.names
        else:
            names = tuple(receiver.name for receiver in receivers)
        record = BusRecord(
            self.start_ns,
            self.queue.now_ns,
            self.sender.name,
            frame,
            names,
            error,
            overrun,
            tuple(rival.name for rival in self.rivals) if self.rivals else (),
        )
        for observer in self.bus.observers:
            observer(record)

    def _audience_of(self, sender: Controller) -> Audience:
        silent = (sender, *self.rivals)
        audience = Audience.of(tuple(m for m in self.members if m not in silent and m.online))
        if not self.rivals:
            sender.audience = audience
        return audience

    def _rivals(
        self, members: tuple[Controller, ...], winner: Controller
    ) -> tuple[Controller, ...]:
        word = winner.next_word
        winner.audience = None
        return tuple(m for m in members if m is not winner and m.next_word == word)

    def _unsuspended(self) -> tuple[Controller, ...]:
        now_ns = self.queue.now_ns
        self.suspended = {who: until for who, until in self.suspended.items() if until > now_ns}
        return tuple(member for member in self.members if member not in self.suspended)

    def _rest(self) -> None:
        self.idle = True
        if self.recoveries:
            recovery.idle_begins(self)
        for sender, until_ns in self.suspended.items():
            if sender.next_word < NOTHING:
                self.schedule(until_ns)
