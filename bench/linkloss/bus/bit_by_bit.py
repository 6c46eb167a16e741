"""A segment bit by bit, for as long as something on it is out of the ordinary.

Frames that nothing disturbs are worked out as wholes (segment.py). Where something may go wrong,
every controller becomes a :class:`Station`, and all of them are stepped once per nominal bit (more
often in the faster part of a CAN FD frame: grid.py):

    drive ----------------------------> sample: what each of them sees, what follows from that
      |          one bit                  |
      '-- who is idle may start    <------'

What all drive together is the bus: dominant wins. Each station sees it through the wiring and
through what disturbs it. The rest follows from the rules of one station: who detects which error at
which bit, whose flags overlap, who counts what, and when the bus is free again. It ends when all
are idle.

All stations share one grid of bits: oscillators, propagation delay and resynchronisation are left
out. A station at another bit rate takes more or fewer steps, each with the level at the sample
point of the nominal bit in which its own bit ends. The clock runs ahead within one event as long as
nothing else is due.

Controllers that start together and send the same arbitration field are one attempt, whatever the
rest of their frames. It is reported as one record, with the others as rivals. Where one of them
fails and another one gets its frame through, both are reported.

A receiver takes a frame for valid after the last but one bit of its end of frame (Bosch CAN
Specification 2.0, part B section 4), whatever the last bit is. It is handed over one bit later, as
everywhere on this bus. So a frame arrives twice that a receiver has accepted while its sender saw
an error and repeats it.

Records are made only from what was handed over at that instant: a receiver appears in the record of
a frame that ends when the receiver got it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from linkloss.bus.cable import Wiring
from linkloss.bus.controller import Controller, ErrorState, Medium, deliver
from linkloss.bus.frame import Frame
from linkloss.bus.grid import FastPart, Grid
from linkloss.bus.protocol import Recovery, Station
from linkloss.bus.reception import outgoing
from linkloss.bus.record import BitError, BitRecord, BusRecord, Cause
from linkloss.clock.queue import Event, EventQueue, Priority


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
        """The stations that started, without those that have lost arbitration. Cable order."""
        self.left = list(senders)
        """Those of them that still send."""
        self.failed: Station | None = None
        """The one that failed first; below, why and when."""
        self.cause: Cause = "disturbed"
        self.error_ns = 0
        self.due_ns: int | None = None
        """When the failure is reported, unless a receiver gets the frame before that all
        the same.
        """
        self.sent = False
        """Whether one of them has got its frame through."""
        self.told = False
        """Whether its outcome has been reported, apart from receivers that get the frame later."""
        self.borrowed = False
        """Whether its senders are on another piece of the cable by now: reported only if
        received.
        """

    @property
    def word(self) -> int:
        """The arbitration field that they send."""
        return self.senders[0].outgoing.frame.head.word

    @property
    def pending(self) -> bool:
        """Whether more of it is to be reported."""
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
        """A sender has noticed an error; the first such error is reported, now or later."""
        self.left.remove(station)
        if self.failed is None:
            self.failed, self.cause, self.error_ns, self.due_ns = station, cause, now_ns, due_ns

    def fail_whole(self, cause: Cause, now_ns: int) -> None:
        """End the attempt for a reason that is no sender's error: it is reported at once."""
        self.failed, self.cause = self.senders[0], cause
        self.error_ns = self.due_ns = now_ns

    def seen_from_afar(self) -> Attempt:
        """The same attempt on a piece of the cable that has lost its senders: a receiver there that
        takes the rest of the bus for the end of the frame has got it.
        """
        found = Attempt(self.start_ns, list(self.senders))
        found.left.clear()
        found.cause, found.told, found.borrowed = "broken_off", True, True
        return found

    def leave(self, station: Station) -> None:
        """A sender has left."""
        self.left.remove(station)
        if self.left:
            self.senders.remove(station)

    def part(self, station: Station, attempts: list[Attempt]) -> None:
        """A sender continues on another piece of the cable, together with others that do."""
        self.left.remove(station)
        attempts[:] = [it for it in attempts if not (it.borrowed and it.start_ns == self.start_ns)]
        for other in attempts:
            if other.start_ns == self.start_ns and station.same_field(other.senders[0]):
                other.senders.append(station)
                other.left.append(station)
                return
        attempts.append(Attempt(self.start_ns, [station]))

    def outranks(self, other: Attempt) -> bool:
        """Whether it fails together with another attempt that it would have won against: then only
        this one is reported.
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
        """A sender has lost arbitration: it continues as a receiver and counts as never having been
        part.
        """
        self.left.remove(station)
        if len(self.senders) > 1:
            self.senders.remove(station)

    def senders_of(self, frame: Frame | None = None) -> list[Station]:
        """The senders of a frame, the first one that failed in front; all senders if none
        sends it.
        """
        first = self.failed
        ordered = list(self.senders)
        if first is not None:
            ordered = [first, *(sender for sender in ordered if sender is not first)]
        if frame is None or (first is not None and first.outgoing.frame == frame):
            return ordered
        return [sender for sender in ordered if sender.outgoing.frame == frame] or ordered


Delivery = tuple[tuple["Controller", ...], tuple[str, ...]]
"""Who has got a frame, and whose receive FIFO was full."""
Landed = dict[tuple[int, "Frame"], Delivery]
"""What was handed over at an instant, by start of frame and frame."""
NOBODY: Delivery = (), ()


class Arrivals:
    """The frames that stations have accepted but not yet received."""

    def __init__(self, followed: BitByBit) -> None:
        self._followed = followed
        self._due: list[tuple[int, Station, Frame]] = []

    def expect(self, station: Station, frame: Frame) -> None:
        """A station has accepted a frame: it is due at the end of the next bit."""
        due_ns = self._followed.instant(self._followed.bit + 2)
        self._due.append((due_ns, station, frame))

    def take(self, other: Arrivals, station: Station) -> None:
        """Take over what a station from another follower is still to receive."""
        self._due += [each for each in other._due if each[1] is station]

    def settle(self, sent: list[tuple[Station, Frame]], now_ns: int) -> None:
        """A bit is over: hand over what is due, report what was sent or failed, call the programs.

        :param sent: which station has got which frame through, as the frame was queued.
        """
        landed, woken = self._land(now_ns)
        for attempt in self._followed.attempts:
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
        """Hand over what is due. Returns who has got what, and whose programs are to be called.

        What looks like a frame but belongs to no attempt is not handed over: it has no sender to
        record.
        """
        landed: Landed = {}
        woken: list[Controller] = []
        if not self._due or not self._followed.attempts:
            return landed, woken
        landing = [(s, frame) for due_ns, s, frame in self._due if due_ns <= now_ns]
        self._due = [each for each in self._due if each[0] > now_ns]
        frames: dict[tuple[int, Frame], list[Controller]] = {}
        for station, frame in landing:
            if station.controller.online:
                key = (station.start_ns, frame)
                frames.setdefault(key, []).append(station.controller)
        for key, accepting in frames.items():
            receivers = self._followed.segment.bus.hearing(key[1], tuple(accepting))
            told, overrun = deliver(now_ns, key[1], receivers)
            woken += told
            if receivers:
                landed[key] = receivers, overrun
        return landed, woken

    # ---- reporting

    def _tell_of(
        self, attempt: Attempt, through: list[Station], landed: Landed, now_ns: int
    ) -> None:
        """Report the outcome of an attempt, if it is known by now."""
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
            if not any(other.outranks(attempt) for other in self._followed.attempts):
                self.tell_failed(attempt)

    def _tell_sent(
        self, attempt: Attempt, finished: list[Station], landed: Landed, now_ns: int
    ) -> None:
        """Senders have seen their frames through: one record for each frame."""
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
        """All its senders have lost arbitration. If no other attempt has won it, a
        disturbance did.
        """
        rivals = [a for a in self._followed.attempts if a.start_ns == attempt.start_ns]
        if all(a.gave_way and (a.told or a.word >= attempt.word) for a in rivals):
            attempt.fail_whole("disturbed", now_ns)
        else:
            attempt.told = True

    def tell_failed(self, attempt: Attempt) -> None:
        """An attempt has failed, and no receiver has its frame: one record for all its senders."""
        attempt.told = True
        senders = attempt.senders_of()
        frame = senders[0].outgoing.frame
        self._tell(attempt, senders, frame, attempt.error_ns, attempt.cause, NOBODY)

    def _origin(self, start_ns: int, frame: Frame) -> Attempt:
        """The attempt from which a received frame comes. Nodes at another bit rate may have seen
        its start of frame in another bit.
        """
        return max(
            self._followed.attempts,
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
        bus = self._followed.segment.bus
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
            bus.name,
        )
        for observer in bus.observers:
            observer(record)


_AHEAD_BITS = 256
"""At most so many bits are stepped within one event."""

_NEWS_BITS = 3
"""So many bits after a station's report, all of its consequences are known."""

_STUCK_BITS = 256
"""After so many dominant bits, check whether anything will change at all."""


class Whole(Protocol):
    """The piece of cable that is followed bit by bit, which otherwise carries whole frames."""

    bus: Medium
    queue: EventQueue
    members: tuple[Controller, ...]
    wiring: Wiring | None
    suspended: dict[Controller, int]
    recoveries: list[Recovery]

    def recovered(self, found: Recovery) -> None:
        """A controller has heard enough recessive bits."""

    def take_over(self, followed: BitByBit) -> None:
        """It is followed bit by bit from now on."""

    def take_back(self, suspended: dict[Controller, int]) -> None:
        """It is no longer followed bit by bit."""


class BitByBit(Grid):
    """The stations of a segment, from a start of frame or from the middle of traffic on."""

    def __init__(self, segment: Whole, origin_ns: int) -> None:
        super().__init__(origin_ns, segment.bus.bit_rate, segment.bus.data_bit_rate)
        self.segment = segment
        self.queue = segment.queue
        self.stations = [
            Station(controller, self, 1 << place)
            for place, controller in enumerate(segment.members)
        ]
        self.over = False
        self.attempts: list[Attempt] = []
        self.hits: dict[int, int] = {}
        """Bits that are seen inverted, and the set of stations that see them so."""
        self._all = (1 << len(self.stations)) - 1
        self._noises = segment.bus.noises
        self._bit_observers = segment.bus.bit_observers
        self._past = False
        """Whether it goes through bits that are already over."""
        self.counted = False
        """Whether receive error counters have gone down already for the frame in those bits."""
        self._paced = False
        """Whether a station runs at another bit rate."""
        self._fast_part = FastPart(self) if any(c.fd for c in segment.members) else None
        self._news = 0
        """For how many bits more there may be something to report."""
        self._event: Event | None = None
        self._sampled = False
        """Whether the present bit is over for the stations, and the next one is to be driven."""
        self._dominant = 0
        self._asleep = False
        self._arrivals = Arrivals(self)
        self._sent: list[tuple[Station, Frame]] = []
        self._joining: list[Station] = []
        for station in self.stations:
            self._place(station)
        self._set_pace()
        segment.take_over(self)

    def _place(self, station: Station) -> None:
        """Set a station to the state of its controller on a segment that carries whole frames."""
        controller = station.controller
        until_ns = self.segment.suspended.get(controller)
        if until_ns is not None and (left := self.bits_in(until_ns - self.bit_ns)) > 0:
            station.suspend(left)
        if not controller.online:
            station.leave()
        for found in self.segment.recoveries:
            if found.controller is controller:
                station.recover(found)

    def _set_pace(self) -> None:
        for station in self.stations:
            station.set_pace(self.bit_rate)
        self._paced = any(station.pace is not None for station in self.stations)

    def station(self, controller: Controller) -> Station:
        """The station of a member."""
        return self.stations[self.segment.members.index(controller)]

    # ---- time

    def go_on(self) -> None:
        """Schedule what comes next: the end of the present bit, or the beginning of another."""
        if self._sampled:
            self._event = self.queue.at(
                self.queue.now_ns, self._drive_on, priority=Priority.ARBITRATION
            )
        else:
            self._event = self.queue.at(self.end_ns, self._sample_on, priority=Priority.BUS)

    def catch_up(self, *, counted: bool) -> None:
        """Step through the bits that are over by now, of a frame that nothing has disturbed.

        :param counted: whether its receivers' error counters have gone down for it already.
        """
        self._past, self.counted = True, counted
        while self.end_ns <= self.queue.now_ns:
            self._sample()
            self._next_bit()
        self._past = self.counted = False

    def close(self) -> None:
        """The segment no longer needs it."""
        self.over = True
        if self._event is not None:
            self.queue.cancel(self._event)
            self._event = None

    def rewired(self) -> None:
        """The wiring has changed: continue where a stuck bus left nothing to do."""
        self._set_pace()
        if self._asleep and not self.over:
            self._asleep = False
            self._dominant = 0
            self.move_to(self.queue.now_ns)
            self.go_on()

    def hand_over(self) -> None:
        """No more bits follow here: report at once what is still to be reported."""
        self.close()
        for attempt in self.attempts:
            if attempt.failed is not None and not attempt.told:
                self._arrivals.tell_failed(attempt)

    def inherit(self, source: BitByBit) -> None:
        """Continue in the grid of another one, with what is planned in it."""
        self.copy_grid(source)
        if self._fast_part is not None and source._fast_part is not None:
            self._fast_part.inherit(source._fast_part)
        if source._asleep:
            self.move_to(self.queue.now_ns)
        self._sampled, self._news = source._sampled, _NEWS_BITS

    def adopt(self, source: BitByBit, station: Station) -> None:
        """Take over the station of a member from another follower, in its present state."""
        place = self.segment.members.index(station.controller)
        for attempt in source.attempts:
            if station in attempt.left:
                attempt.part(station, self.attempts)
            elif attempt.start_ns == station.start_ns:
                self._watch_from_afar(attempt)
        self._arrivals.take(source._arrivals, station)
        self.stations[place] = station
        station.followed, station.mask = self, 1 << place
        self._paced = self._paced or station.pace is not None

    def _watch_from_afar(self, attempt: Attempt) -> None:
        """A receiver comes without the sender: it may still take the frame for a whole one."""
        start_ns, word = attempt.start_ns, attempt.word
        if not any(it.start_ns == start_ns and it.word == word for it in self.attempts):
            self.attempts.append(attempt.seen_from_afar())

    # ---- the course of a bit

    def _sample_on(self) -> None:
        self._event = None
        queue = self.queue
        for _ in range(_AHEAD_BITS):
            self._sample()
            if self.over:
                return
            quiet_ns = queue.quiet_until()
            if quiet_ns <= queue.now_ns:
                self.go_on()
                return
            self._next_bit()
            if quiet_ns <= self.end_ns:
                break
            if self._dominant >= _STUCK_BITS and self._is_stuck():
                self._asleep = True
                return
            queue.now_ns = self.end_ns
        self.go_on()

    def _drive_on(self) -> None:
        self._event = None
        self._next_bit()
        self.go_on()

    def _sample(self) -> None:
        """The end of a bit: what each station sees of it."""
        driven = 0
        for station in self.stations:
            if not station.drive:
                driven |= station.mask
        wiring = self.segment.wiring
        seen = self._all if driven else 0
        if wiring is not None:
            seen = wiring.seen(driven, fast=self.is_fast)
        if self.hits:
            seen ^= self.hits.pop(self.bit, 0)
        if self._noises and not self._past:
            seen ^= self._noise()
        self._dominant = self._dominant + 1 if seen == self._all else 0
        if self._bit_observers:
            self._show(driven, seen)
        self._step(seen)
        self._sampled = True
        if self._news:
            self._news -= 1
            self._settle()
        for station in self.stations:
            if not station.resting:
                return
        if not self.over and (wiring is None or not wiring.forced):
            self._finish()

    def _step(self, seen: int) -> None:
        """Each station sees the bit."""
        if self._fast_part is not None and self._fast_part.going:
            self._fast_part.step(self.stations, seen)
            return
        if self._paced:
            for station in self.stations:
                station.step_own_bits(0 if seen & station.mask else 1)
            return
        for station in self.stations:
            if seen & station.mask:
                station.step(0)
            elif not station.idle:  # an idle station that sees nothing stays idle
                station.step(1)

    def _noise(self) -> int:
        """The set of stations that see the bit inverted."""
        seen = 0
        for noise in self._noises:
            if noise.strikes():
                seen ^= self._mask_of(noise.node)
        return seen

    def _next_bit(self) -> None:
        """Begin another bit: every idle station with something to send starts with it."""
        self.move_on()
        self._sampled = False
        if self._fast_part is not None and self._fast_part.goes_on(self.stations):
            return
        for station in self.stations:
            if station.may_start:
                self.start([s for s in self.stations if s.may_start])
                return

    def _is_stuck(self) -> bool:
        return all(station.settled for station in self.stations)

    def _mask_of(self, name: str | None) -> int:
        if name is None:
            return self._all
        return sum(s.mask for s in self.stations if s.controller.name == name)

    def _show(self, driven: int, seen: int) -> None:
        record = BitRecord(
            self.bit_ns,
            self.end_ns,
            tuple(station.controller.name for station in self.stations),
            driven,
            seen,
        )
        for observer in self.segment.bus.bit_observers:
            observer(record)

    # ---- starts of frame

    def start(
        self,
        stations: Sequence[Station],
        begun: Mapping[Controller, Frame] | None = None,
        hits: Sequence[BitError] | None = None,
        place: int = 0,
    ) -> None:
        """Stations begin a frame with the present bit.

        :param begun: the frames, as they appear on the bus, of senders that have taken them from
            their mailboxes already.
        :param hits: what disturbs the frame of the winner; None: ask for it.
        :param place: 1 for stations that took another one's start of frame for their own.
        """
        segment = self.segment
        start_ns = self.bit_ns
        groups: dict[int, list[Station]] = {}
        for station in stations:
            controller = station.controller
            frame = begun.get(controller) if begun else None
            if frame is None:
                frame = segment.bus.as_sent(controller, controller.begin())
            station.begin(outgoing(frame), start_ns, place)
            groups.setdefault(frame.head.word, []).append(station)
        heard_ns = {station.start_ns for station in self.stations}
        self.attempts = [a for a in self.attempts if a.pending or a.start_ns in heard_ns]
        for senders in groups.values():
            self.attempts.append(Attempt(start_ns, senders))
        if hits is None:
            first = groups[min(groups)][0]
            hits = segment.bus.hits_on(first.controller, first.outgoing.frame)
        for hit in hits:
            mask = self._all if hit.nodes is None else sum(map(self._mask_of, hit.nodes))
            at = self.bit + hit.bit - place
            self.hits[at] = self.hits.get(at, 0) ^ mask

    # ---- what stations report

    def sent(self, station: Station) -> None:
        """A sender has seen its frame through."""
        self._news = _NEWS_BITS
        self._sent.append((station, station.controller.finish_sending()))

    def accepted(self, station: Station, frame: Frame) -> None:
        """A receiver has seen a frame through to its last bit but one."""
        self._news = _NEWS_BITS
        self._arrivals.expect(station, frame)

    def failed(self, station: Station, cause: Cause, *, count: bool) -> None:
        """A sender has noticed an error in the bit that ends now."""
        self._news = _NEWS_BITS
        attempt, outgoing, place = self._attempt_of(station), station.outgoing, station.place
        left = outgoing.length - place
        self._news = left + _NEWS_BITS
        # the last two bits, or a passive flag that looks like the end of the frame: receivers may
        # accept it all the same, so it is reported only when they have
        active = station.controller.state is ErrorState.ACTIVE
        late = left <= 2 or (not active and all(outgoing.bits[place + 1 :]))
        late = late and not all(it.resting for it in self.stations if it is not station)
        if cause == "disturbed" and attempt.differs:
            cause = "collision"
        due_ns = self.instant(self.bit + left) if late else self.end_ns
        attempt.fail(station, cause, self.end_ns, due_ns)
        station.controller.fail_sending(count=count)

    def lost(self, station: Station) -> None:
        """A sender has lost arbitration."""
        self._news = _NEWS_BITS
        self._attempt_of(station).lose(station)
        station.controller.lose_arbitration()

    def join_in(self, station: Station) -> None:
        """A station takes the start of frame that it has just seen for its own."""
        self._news = _NEWS_BITS
        self._joining.append(station)

    def recovered(self, found: Recovery) -> None:
        """A controller is back from bus-off."""
        self.segment.recovered(found)

    def _attempt_of(self, station: Station) -> Attempt:
        return next(attempt for attempt in self.attempts if station in attempt.left)

    # ---- what the segment reports

    def leave(self, controller: Controller) -> None:
        """A controller drops out: switched off, forced bus-off, removed."""
        station = self.station(controller)
        if station.sending:
            attempt = self._attempt_of(station)
            attempt.leave(station)
            if not attempt.left and attempt.failed is None:
                attempt.fail_whole("broken_off", self.queue.now_ns)
                outgoing, place = station.outgoing, station.place
                others = [it for it in self.stations if it is not station and not it.resting]
                if others and all(outgoing.bits[place:]):
                    # What is left of the frame is recessive, as the bus is without its sender:
                    # receivers may accept it all the same, so it is reported when they have.
                    left = outgoing.length - place
                    attempt.due_ns = self.instant(self.bit + self._sampled + left)
                    self._news = max(self._news, left + _NEWS_BITS)
                else:
                    self._arrivals.tell_failed(attempt)
        station.leave()

    # ---- what follows from a bit

    def _settle(self) -> None:
        joining, self._joining = self._joining, []
        if joining:
            self.start(joining, place=1)
        sent, self._sent = self._sent, []
        self._arrivals.settle(sent, self.end_ns)

    def _finish(self) -> None:
        """All are idle: back to whole frames."""
        self.hand_over()
        self.segment.take_back(
            {s.controller: s.suspended_bits for s in self.stations if s.suspended_bits}
        )
