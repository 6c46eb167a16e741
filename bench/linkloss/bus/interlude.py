"""A segment bit by bit, for as long as something on it is out of the ordinary.

Frames that nothing disturbs are worked out as wholes (segment.py). Where something may go wrong,
every controller becomes a :class:`Station`, and all of them are stepped once per nominal bit (more
often in the faster part of a CAN FD frame: fastpart.py):

    drive ----------------------------> sample: what each of them sees, what follows from that
      |          one bit                  |
      '-- who is idle may start    <------'

What all drive together is the bus: dominant wins. Each station sees it through the wiring and
through what disturbs it. Then who detects which error at which bit, whose flags overlap, who
counts what and when the bus is free again comes out of the rules of one station. An interlude
ends when all are idle.

All stations share one grid of bits: oscillators, propagation delay and resynchronisation are left
out. One that runs at another bit rate takes more or fewer steps, each with the level at the sample
point of the nominal bit in which its own bit ends. The clock runs ahead within one event as long
as nothing else is due.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from linkloss.bus.arrival import Arrivals
from linkloss.bus.attempt import Attempt
from linkloss.bus.controller import ErrorState
from linkloss.bus.fastpart import FastPart
from linkloss.bus.grid import Grid
from linkloss.bus.protocol import Recovery, Station
from linkloss.bus.reception import outgoing
from linkloss.bus.record import BitRecord
from linkloss.clock.queue import Event, Priority

if TYPE_CHECKING:
    from linkloss.bus.controller import Controller
    from linkloss.bus.frame import Frame
    from linkloss.bus.record import Cause, Hit
    from linkloss.bus.segment import Segment

_AHEAD_BITS = 256
"""So many bits at most within one event."""

_NEWS_BITS = 3
"""So many bits after a station has told something, all of it has become known."""

_STUCK_BITS = 256
"""After so many dominant bits it is looked whether anything will change at all."""


class Interlude(Grid):
    """The stations of a segment, from a start of frame on or from the midst of traffic."""

    def __init__(self, segment: Segment, origin_ns: int) -> None:
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
        """Bits that are seen wrongly, and by whom."""
        self._all = (1 << len(self.stations)) - 1
        self._noises = segment.bus.noises
        self._bit_observers = segment.bus.bit_observers
        self._past = False
        """Whether it goes through bits that are over."""
        self.counted = False
        """Whether receive error counters have gone down for the frame in those bits already."""
        self._paced = False
        """Whether a station runs at another bit rate."""
        self._fast_part = FastPart(self) if any(c.fd for c in segment.members) else None
        self._news = 0
        """For so many bits on there may be something to tell."""
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
        """Where a controller stands on a segment that carries whole frames."""
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
        """Go through the bits that are over by now, of a frame that nothing has disturbed.

        :param counted: whether its receivers' error counters have gone down for it already.
        """
        self._past, self.counted = True, counted
        while self.end_ns <= self.queue.now_ns:
            self._sample()
            self._next_bit()
        self._past = self.counted = False

    def close(self) -> None:
        """The segment does without it from now on."""
        self.over = True
        if self._event is not None:
            self.queue.cancel(self._event)
            self._event = None

    def rewired(self) -> None:
        """The wiring has changed: go on where a stuck bus left nothing to do."""
        self._set_pace()
        if self._asleep and not self.over:
            self._asleep = False
            self._dominant = 0
            self.move_to(self.queue.now_ns)
            self.go_on()

    def hand_over(self) -> None:
        """No more bits here: what is still to be told is told now."""
        self.close()
        for attempt in self.attempts:
            if attempt.failed is not None and not attempt.told:
                self._arrivals.tell_failed(attempt)

    def inherit(self, source: Interlude) -> None:
        """Go on in the grid of another interlude, with what is planned in it."""
        self.copy_grid(source)
        if self._fast_part is not None and source._fast_part is not None:
            self._fast_part.inherit(source._fast_part)
        if source._asleep:
            self.move_to(self.queue.now_ns)
        self._sampled, self._news = source._sampled, _NEWS_BITS

    def adopt(self, source: Interlude, station: Station) -> None:
        """Take over the station of a member from another interlude, as it stands there."""
        place = self.segment.members.index(station.controller)
        for attempt in source.attempts:
            if station in attempt.left:
                attempt.part(station, self.attempts)
            elif attempt.start_ns == station.start_ns:
                self._watch_from_afar(attempt)
        self._arrivals.take(source._arrivals, station)
        self.stations[place] = station
        station.interlude, station.mask = self, 1 << place
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
            elif not station.idle:  # who is idle and sees nothing would stay as it is
                station.step(1)

    def _noise(self) -> int:
        """Who sees the bit inverted."""
        seen = 0
        for noise in self._noises:
            if noise.strikes():
                seen ^= self._mask_of(noise.node)
        return seen

    def _next_bit(self) -> None:
        """Begin another bit: whoever is idle and has something to send starts with it."""
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
        hits: Sequence[Hit] | None = None,
        place: int = 0,
    ) -> None:
        """Stations begin a frame with the present bit.

        :param begun: the frames, as they stand on the bus, of those who have taken them from
            their mailboxes already.
        :param hits: what disturbs the frame of the one that wins; None: that is to be asked.
        :param place: 1 for those who took somebody's start of frame for their own.
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

    # ---- what stations tell

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
        # accept it all the same, so it is told only when they have
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

    # ---- what the segment tells

    def leave(self, controller: Controller) -> None:
        """A controller drops out: switched off, forced bus-off, taken away."""
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
                    # receivers may accept it all the same, so it is told when they have.
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
        """All are idle: whole frames again."""
        self.hand_over()
        self.segment.take_back(
            {s.controller: s.suspended_bits for s in self.stations if s.suspended_bits}
        )
