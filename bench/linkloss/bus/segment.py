"""The controllers that hear each other at the moment: arbitration and delivery.

A segment is idle, or carries a frame, or waits for the end of an intermission. An undisturbed frame
costs two events:

    start of frame                      end of frame        end of intermission
    :meth:`Segment._arbitrate` -------> :meth:`_complete` -----> :meth:`_arbitrate`
                    length of the frame             3 bits

All instants of a frame count from its start of frame, so that rounding to whole nanoseconds does
not add up. Where something may go wrong, at a start of frame or in the middle of it, the segment is
followed bit by bit until all is idle again (bit_by_bit.py). One case is frequent and simple enough
to be worked out as a whole, too, a node that nobody hears:

    start of frame ... ACK slot | flag 6 | delimiter 8 | intermission 3 | suspend 8 if passive

A frame counts as valid, for its sender and all receivers, at the end of its end of frame. By the
standard a receiver may use it one bit earlier (Bosch CAN Specification 2.0, part B section 4); that
bit is left out, and makes no difference to who gets what.
"""

from __future__ import annotations

from linkloss.bus.bit_by_bit import BitByBit
from linkloss.bus.cable import Wiring
from linkloss.bus.controller import NOTHING, Controller, ErrorState, Hearers, Medium, deliver
from linkloss.bus.frame import INTERMISSION_BITS, TAIL_BITS, BitClock, Frame, length_bits
from linkloss.bus.protocol import DELIMITER_BITS, FLAG_BITS, GROUP_BITS, SUSPEND_BITS, Recovery
from linkloss.bus.reception import outgoing
from linkloss.bus.record import BitError, BusRecord, Cause
from linkloss.clock.queue import NS_PER_S, Event, EventQueue, Priority

_PASSIVE = ErrorState.PASSIVE
_BEHIND_SLOT_BITS = TAIL_BITS - 2
"""From the end of the ACK slot to the end of the frame."""
_ARBITRATION = int(Priority.ARBITRATION)
_BUS = int(Priority.BUS)


class Segment:
    """One electrically connected piece of the bus."""

    __slots__ = (
        "bus",
        "counted",
        "counting",
        "due",
        "event",
        "followed",
        "frame",
        "hearers",
        "idle",
        "length",
        "members",
        "ns",
        "queue",
        "recoveries",
        "rivals",
        "sender",
        "start_ns",
        "suspended",
        "tail_bits",
        "transmitters",
        "wiring",
    )

    hearers: Hearers
    event: Event
    sender: Controller

    def __init__(self, bus: Medium, members: tuple[Controller, ...]) -> None:
        self.bus = bus
        self.queue: EventQueue = bus.queue
        self.members = members
        self.idle = True
        self.due: Event | None = None
        self.recoveries: list[Recovery] = []
        self.tail_bits = GROUP_BITS
        """How many recessive bits the last frame ended with, its intermission included."""
        self.suspended: dict[Controller, int] = {}
        """Error-passive senders, and the instant until which each has to wait."""
        self.transmitters: tuple[Controller, ...] = ()
        """The senders of the last frame, until its intermission is over."""
        self.followed: BitByBit | None = None
        self.wiring: Wiring | None = None
        """What the members see of what they drive; None: all see the same."""
        # the frame in flight, None when there is none, and all that belongs to it
        self.frame: Frame | None = None
        self.start_ns = 0
        self.length = 0
        self.ns: BitClock = bus.ns
        self.rivals: tuple[Controller, ...] = ()
        self.counting: Event | None = None
        """The end of its ACK slot, if a receive error counter goes down there."""
        self.counted = False
        """Whether that has happened."""

    # ---- for controllers

    def request(self) -> None:
        """A controller has something to send on the idle segment: arbitrate at this instant."""
        self.schedule(self.queue.now_ns)

    def recover(self, controller: Controller) -> None:
        """A controller on the segment starts to count recessive bits."""
        found = Recovery(controller, self.queue.now_ns)
        self.recoveries.append(found)
        if self.idle:
            self._count_idle(found)
        elif self.frame is not None and not self.hearers.acknowledged:
            self.follow()
        elif self.followed is not None:
            self.followed.station(controller).recover(found)

    def leave(self, controller: Controller) -> None:
        """A controller drops out at once: switched off, forced bus-off or removed."""
        self.suspended.pop(controller, None)
        if self.frame is not None:
            self._lose(controller)
        if self.followed is not None:
            self.followed.leave(controller)
        self._drop_recovery(controller)
        self.forget_hearers()

    def enter(self, controller: Controller) -> None:
        """A controller was switched on."""
        if self.followed is not None and controller.online:
            self.followed.station(controller).integrate()
        self.forget_hearers()

    def rewired(self, wiring: Wiring | None) -> None:
        """The wiring has changed: what is in flight continues bit by bit with it."""
        if wiring is None and self.wiring is None:
            return
        self.forget_hearers()
        if self.frame is not None or (wiring is not None and wiring.forced):
            self.follow()
        self.wiring = wiring
        if self.followed is not None:
            self.followed.rewired()

    def close(self) -> None:
        """The cable has changed, and its members are on other segments."""
        if self.due is not None:
            self.queue.cancel(self.due)
            self.due = None
        if self.followed is not None:
            self.followed.hand_over()

    def forget_hearers(self) -> None:
        """A different set of controllers takes part, from the next start of frame on."""
        for member in self.members:
            member.hearers = None

    # ---- the course of a frame

    def _arbitrate(self) -> None:
        self.due = None
        if self.recoveries:
            self._count_frame()
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
            self._end_idle()
        frame = sender.begin()
        self.hearers = hearers = sender.hearers or self._hearers_of(sender)
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
            or not hearers.acknowledged
            or fd
        ) and self._is_exceptional(frame):
            return
        if self.suspended:
            self.suspended = {}
        if hearers.counting:
            slot_ns = start_ns + ns[length - _BEHIND_SLOT_BITS]
            self.counting = queue.at(slot_ns, self._acknowledge, priority=_BUS)
        self.event = queue.at(start_ns + ns[length], self._complete, priority=_BUS)

    def _acknowledge(self) -> None:
        """The end of the ACK slot. Rule 8: a frame counts as received from here on."""
        self.counting, self.counted = None, True
        for receiver in self.hearers.receivers:
            if receiver.rec:
                receiver.count_received()
        self.forget_hearers()

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
        receivers = self.hearers.receivers
        if bus.misses:
            receivers = bus.hearing(frame, receivers)
        woken, overrun = deliver(queue.now_ns, frame, receivers)
        self.tail_bits = GROUP_BITS
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

    # ---- exceptional frames

    def unheard(self) -> None:
        """No node is there to acknowledge the frame: rule 3, and its exception 1."""
        frame, sender = self.frame, self.sender
        assert frame is not None
        self.frame = None
        passive = sender.state is _PASSIVE
        sender.fail_sending(count=not passive)
        behind = 1 + FLAG_BITS + DELIMITER_BITS + INTERMISSION_BITS
        self.tail_bits = GROUP_BITS + FLAG_BITS if passive else GROUP_BITS
        self.free_after(outgoing(frame).ack + behind)
        if self.bus.observers:
            self.report(frame, "ack")

    def take_over(self, followed: BitByBit) -> None:
        """It is followed bit by bit from now on; cancel what was planned for whole frames."""
        self.followed, self.idle = followed, False
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
        """It is no longer followed: all are idle, and some must not send for so many bits more."""
        now_ns = self.queue.now_ns
        self.followed, self.idle = None, True
        self.suspended = {
            sender: now_ns + self.bus.span_ns(bits) for sender, bits in suspended.items()
        }
        self.forget_hearers()
        self.schedule(now_ns)

    # ---- parts of it

    def free_after(self, frame_bits: int) -> None:
        """The bus is free again ``frame_bits`` after the last start of frame.

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
        """Report the frame that has just ended to the observers."""
        hearers = self.hearers
        if receivers is hearers.receivers:
            names = hearers.names
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
            self.bus.name,
        )
        for observer in self.bus.observers:
            observer(record)

    def _hearers_of(self, sender: Controller) -> Hearers:
        silent = (sender, *self.rivals)
        hearers = Hearers.of(tuple(m for m in self.members if m not in silent and m.online))
        if not self.rivals:
            sender.hearers = hearers
        return hearers

    def _rivals(
        self, members: tuple[Controller, ...], winner: Controller
    ) -> tuple[Controller, ...]:
        word = winner.next_word
        winner.hearers = None
        return tuple(m for m in members if m is not winner and m.next_word == word)

    def _unsuspended(self) -> tuple[Controller, ...]:
        now_ns = self.queue.now_ns
        self.suspended = {who: until for who, until in self.suspended.items() if until > now_ns}
        return tuple(member for member in self.members if member not in self.suspended)

    def _rest(self) -> None:
        self.idle = True
        if self.recoveries:
            self._begin_idle()
        for sender, until_ns in self.suspended.items():
            if sender.next_word < NOTHING:
                self.schedule(until_ns)

    # ---- bit by bit

    def _is_exceptional(self, frame: Frame) -> bool:
        """Find out at a start of frame whether it takes another course, and if so begin that."""
        bus, sender = self.bus, self.sender
        hits = bus.hits_on(sender, frame) if bus.disturbances else []
        exposed = self.length + INTERMISSION_BITS
        quiet = sum(not noise.spares(exposed) for noise in bus.noises) == 0
        begun = {sender: frame}
        for rival in self.rivals:
            begun[rival] = bus.as_sent(rival, rival.begin())
        same = all(other == frame for other in begun.values())
        plain = self.wiring is None or self.wiring.harmless
        if frame.fd:  # to a classical controller it looks damaged
            plain = plain and all(receiver.fd for receiver in self.hearers.receivers)
        if hits or not quiet or not same or not plain:
            self._follow(begun, hits)
        elif self.hearers.acknowledged:
            return False
        elif self.hearers.receivers or self.rivals or self.recoveries:
            self._follow(begun, hits)  # behind a passive error flag there are two groups to count
        else:
            slot_ns = self.start_ns + self.ns[outgoing(frame).ack + 1]
            self.event = self.queue.at(slot_ns, self.unheard, priority=Priority.BUS)
        return True

    def _follow(self, begun: dict[Controller, Frame], hits: list[BitError]) -> None:
        """Bit by bit from this start of frame on."""
        self.frame = None
        followed = BitByBit(self, self.queue.now_ns)
        starting = [s for s in followed.stations if s.controller in begun or s.may_start]
        followed.start(starting, begun, hits)
        followed.go_on()

    def follow(self) -> BitByBit:
        """Bit by bit from now on, whatever the segment carries."""
        if self.followed is not None:
            return self.followed
        if self.frame is None:
            return self._follow_without_frame()
        frame, heard = self.frame, (*self.hearers.receivers, self.sender, *self.rivals)
        counted = self.counted
        followed = BitByBit(self, self.start_ns)
        late = [s for s in followed.stations if s.resting and s.controller not in heard]
        for station in late:
            if station.recovery is None:
                station.leave()
        begun = dict.fromkeys((self.sender, *self.rivals), frame)
        followed.start([followed.station(sender) for sender in begun], begun, [])
        followed.catch_up(counted=counted)
        for found in self.recoveries:  # it may have begun in the middle of the frame
            since = followed.bits_in(self.queue.now_ns - found.since_ns)
            found.recessive = min(found.recessive, since)
        for station in late:
            if station.recovery is None and station.controller.online:
                station.integrate()
        followed.go_on()
        return followed

    def _follow_without_frame(self) -> BitByBit:
        """From idle, or from an intermission or an error frame of a sender without receivers."""
        now_ns = self.queue.now_ns
        free_ns = self.due[0] if self.due is not None and not self.idle else now_ns
        if self.idle:
            self._end_idle()
        followed = BitByBit(self, now_ns)
        left = followed.bits_in(free_ns - now_ns)
        for station in followed.stations:
            if left and station.controller.online:
                station.resume(left, sender=station.controller in self.transmitters)
        followed.go_on()
        return followed

    def _lose(self, controller: Controller) -> None:
        """A controller drops out while a frame is on its way, its own or another one's."""
        receivers = self.hearers.receivers
        if controller not in receivers:
            if controller is self.sender or controller in self.rivals:
                self.follow()
            return
        left = Hearers.of(tuple(r for r in receivers if r is not controller))
        if self.hearers.acknowledged and not left.acknowledged:
            self.follow()
        else:
            self.hearers = left

    # ---- the way back from bus-off: rule 12 of part B section 8

    def _drop_recovery(self, controller: Controller) -> None:
        """A controller stops counting: it was switched off or removed."""
        for found in [r for r in self.recoveries if r.controller is controller]:
            self._stop(found)
            self.recoveries.remove(found)

    def _count_frame(self) -> None:
        """An intermission is over: the frame before it counts for all who heard its last eleven
        bits.

        Arbitration on a segment that was idle already changes nothing.
        """
        if self.idle:
            return
        now_ns, group_ns = self.queue.now_ns, self.bus.span_ns(GROUP_BITS)
        for found in list(self.recoveries):
            begun_ns = max(found.since_ns, now_ns - self.bus.span_ns(self.tail_bits))
            if begun_ns <= now_ns - group_ns:
                begun_ns += group_ns
                found.remaining -= 1
                if found.remaining == 0:
                    self.recovered(found)
            found.since_ns = begun_ns

    def _begin_idle(self) -> None:
        """No node sends: the rest of the recovery is a matter of time."""
        for found in self.recoveries:
            if found.event is None:
                now_ns = self.queue.now_ns
                if found.recessive or found.since_ns <= now_ns - self.bus.span_ns(GROUP_BITS):
                    found.since_ns = now_ns - self.bus.span_ns(found.recessive)
                found.recessive = 0
                self._count_idle(found)

    def _end_idle(self) -> None:
        """The idle stretch is over: whole groups of it count."""
        for found in self.recoveries:
            self.settle(found)
            found.recessive = 0

    def settle(self, found: Recovery) -> None:
        """Count the idle stretch up to now, and start another."""
        now_ns = self.queue.now_ns
        if found.event is not None:
            self._stop(found)
            twice = 2 * (now_ns - found.since_ns) + 1
            groups = twice * self.bus.bit_rate // (2 * GROUP_BITS * NS_PER_S)
            found.remaining -= groups
            found.since_ns = now_ns

    def _count_idle(self, found: Recovery) -> None:
        end_ns = found.since_ns + self.bus.span_ns(GROUP_BITS * found.remaining)
        found.event = self.queue.at(end_ns, self.recovered, found, priority=Priority.BUS)

    def _stop(self, found: Recovery) -> None:
        if found.event is not None:
            self.queue.cancel(found.event)
            found.event = None

    def recovered(self, found: Recovery) -> None:
        """A controller has heard enough recessive bits: it takes part again."""
        self.recoveries.remove(found)
        self.forget_hearers()
        found.controller.recovered()
