"""One node's protocol controller: what the CAN chip in a node does by itself.

It has transmit mailboxes, acceptance filters and the receive FIFO, the two error counters with the
state that follows from them, and the way to bus-off and back. The next mailbox to go is always
known (``next_word``), so that the bus can tell at a glance who has what to send. Rule numbers are
those of Bosch CAN Specification 2.0, part B section 8.

A controller knows what it is attached to only as :class:`Piece` and :class:`Medium`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import Enum
from heapq import heapify, heappop, heappush
from typing import Literal, Protocol

from linkloss.bus.frame import Frame, SwitchingClock
from linkloss.bus.record import BitError, BitRecord, BusRecord, Noise
from linkloss.clock.queue import Event, EventQueue

WARNING_LEVEL = 96
"""Error-warning level (common to controllers; Bosch CAN 2.0 says "about 96")."""

PASSIVE_LEVEL = 128
BUS_OFF_LEVEL = 256


class ErrorState(Enum):
    """The error state of a controller (fault confinement)."""

    ACTIVE = "error-active"
    PASSIVE = "error-passive"
    BUS_OFF = "bus-off"


class TransmitError(Exception):
    """A frame was not accepted for sending.

    TransmitError
     +-- MailboxesFull   every transmit mailbox holds a frame
     +-- BusOff          the controller is bus-off
     +-- NotSending      the controller is switched off, only listens, or has no bus
     +-- NotClassical    a CAN FD frame, and the controller knows classical frames only
    """


class MailboxesFull(TransmitError):  # noqa: N818
    """Every transmit mailbox holds a frame."""


class BusOff(TransmitError):  # noqa: N818
    """The controller is bus-off and takes no part until it has recovered."""


class NotSending(TransmitError):  # noqa: N818
    """The controller is switched off, only listens, or has no bus."""


class NotClassical(TransmitError, ValueError):  # noqa: N818
    """A CAN FD frame, but the controller knows classical frames only: a mistake in the program."""


NOTHING = 1 << 32
"""Ranks below every arbitration word: there is nothing to send."""

Order = Literal["priority", "fifo"]
Mailbox = tuple[int, int, Frame]
"""A frame waiting to be sent: arbitration word, running number of the controller, frame."""
OutgoingFault = Callable[[Frame], list[tuple[int, Frame]] | None]

Filter = tuple[int, int, bool | None]
"""Identifier, mask, and the frame format: True extended, False base, None both."""


Observer = Callable[[BusRecord], object]
BitObserver = Callable[[BitRecord], object]
Transform = Callable[["Controller", Frame], Frame]
Disturbance = Callable[["Controller", Frame, int], Iterable[BitError]]
Miss = Callable[["Controller", Frame], bool]


class Medium(Protocol):
    """What the pieces of the cable, and the controllers on them, ask of the bus as a whole; see
    :class:`linkloss.bus.Bus`.
    """

    name: str
    ns: list[int]
    observers: list[Observer]
    bit_observers: list[BitObserver]
    transforms: list[Transform]
    disturbances: list[Disturbance]
    noises: list[Noise]
    misses: list[Miss]

    @property
    def queue(self) -> EventQueue:
        """The clock."""

    @property
    def bit_rate(self) -> int:
        """Bits per second."""

    @property
    def data_bit_rate(self) -> int:
        """Bits per second of the faster part of CAN FD frames that switch."""

    def span_ns(self, bits: int) -> int:
        """How long a number of bits takes."""

    def frame_ns(self, frame: Frame) -> int:
        """How long a frame takes."""

    def clock(self, frame: Frame) -> SwitchingClock:
        """When the bits of a CAN FD frame begin."""

    def as_sent(self, sender: Controller, frame: Frame) -> Frame:
        """A sender's frame as it appears on the bus."""

    def hits_on(self, sender: Controller, frame: Frame) -> list[BitError]:
        """The bits of a frame that are disturbed."""

    def hearing(self, frame: Frame, receivers: tuple[Controller, ...]) -> tuple[Controller, ...]:
        """The receivers of a frame that do not miss it."""


class ChipWatch(Protocol):
    """Sees what a chip that is modelled inside a program, in front of a controller, does with the
    frames that it takes; and may set it right.
    """

    @property
    def lets_in(self) -> tuple[int, bool] | None:
        """The identifier of the frames that its filters have to pass, and whether it is extended;
        None: whatever they say.
        """

    @property
    def roomy(self) -> bool:
        """Whether it takes a frame only when it has room for it."""

    def told(self, fate: int, place: int) -> None:
        """What became of the frame taken last: 1 refused by a filter, 2 lost for want of room, 3
        held at a place; or 4: the frame at that place was read.
        """


class Piece(Protocol):
    """What a controller asks of the piece of cable that it is on."""

    @property
    def bus(self) -> Medium:
        """The bus as a whole."""

    @property
    def idle(self) -> bool:
        """Whether no controller sends."""

    def request(self) -> None:
        """Report that there is something to send."""

    def recover(self, controller: Controller) -> None:
        """Start counting recessive bits for a controller."""

    def leave(self, controller: Controller) -> None:
        """Drop out at once."""

    def enter(self, controller: Controller) -> None:
        """Take part from now on."""

    def forget_hearers(self) -> None:
        """Report that a different set of controllers takes part."""


class Controller:
    """A CAN controller, to be attached to a bus.

    :param name: the node's name, unique on its bus.
    :param mailboxes: how many frames may wait to be sent, the one on the bus included.
    :param order: which waiting frame goes first: ``"priority"`` the one with the lowest arbitration
        word, ``"fifo"`` the one that was put in first.
    :param receive_depth: how many received frames the FIFO holds; further ones are lost.
    :param auto_recovery: begin to recover from bus-off without being asked.
    :param listen_only: never send, never acknowledge.
    :param single_shot: send each frame once, whatever becomes of it; a frame that loses arbitration
        has not been sent and stays.
    :param fd: whether it knows CAN FD frames; one that does not takes them for damaged.
    :param overwrites: with a full FIFO, lose the newest frame in it instead of the one that
        arrives.
    :param filters: acceptance filters, see below.
    :raises ValueError: if a number is below 1 or the order is unknown.

    Callbacks, None unless set: ``on_receive(controller)`` after a frame went into the FIFO,
    ``on_sent(frame)`` after a frame was sent, ``on_lost(frame)`` when one will never reach the bus
    (it was aborted, lost, or swallowed while muted), ``on_state(controller)`` after the error state
    changed (at the same instant, when it is the nodes' turn).

    ``filters`` lists (identifier, mask, extended or None for both formats); an empty list accepts
    all. ``outgoing`` are faults on the way from the node's program to the mailboxes: each is given
    a frame and returns None (unchanged) or what to queue instead, as (delay in ns, frame).

    ``bit_rate`` is None, or a fault: the bit rate of this controller on a bus that has another.
    Change it only within :meth:`linkloss.bus.Bus.rewiring`.

    Every frame that :meth:`send` accepted is accounted for: ``accepted`` = ``sent`` + ``aborted`` +
    ``lost`` + ``delayed`` + ``pending()``. ``losses`` names the reasons. These tallies and
    ``overruns`` are the bench's own and outlive a loss of power.
    """

    __slots__ = (
        "_asked",
        "_count",
        "_generation",
        "_held",
        "_made",
        "_muted",
        "_retry",
        "_swallowing",
        "aborted",
        "accepted",
        "auto_recovery",
        "bit_rate",
        "boxes",
        "by_priority",
        "chip",
        "delayed",
        "fd",
        "filters",
        "hearers",
        "inbox",
        "listen_only",
        "losses",
        "mailboxes",
        "name",
        "next_word",
        "on_lost",
        "on_receive",
        "on_sent",
        "on_state",
        "outgoing",
        "overruns",
        "overwrites",
        "powered",
        "ready",
        "rec",
        "receive_depth",
        "recovering",
        "segment",
        "sending",
        "sent",
        "single_shot",
        "state",
        "tec",
    )

    def __init__(
        self,
        name: str,
        *,
        mailboxes: int = 3,
        order: Order = "priority",
        receive_depth: int = 64,
        auto_recovery: bool = False,
        listen_only: bool = False,
        single_shot: bool = False,
        fd: bool = False,
        overwrites: bool = False,
        filters: Iterable[Filter] = (),
    ) -> None:
        if mailboxes < 1:
            raise ValueError(f"controller {name!r} needs at least 1 mailbox, not {mailboxes}")
        if order not in ("priority", "fifo"):
            raise ValueError(f"controller {name!r}: order is 'priority' or 'fifo', not {order!r}")
        if receive_depth < 1:
            raise ValueError(f"controller {name!r} receives at least 1 frame, not {receive_depth}")
        self.name = name
        self.tec = 0
        self.rec = 0
        self.state = ErrorState.ACTIVE
        self.mailboxes = mailboxes
        self.by_priority = order == "priority"
        self.listen_only = listen_only
        self.single_shot = single_shot
        self.fd = fd
        self.outgoing: list[OutgoingFault] = []
        self.on_sent: Callable[[Frame], object] | None = None
        self.on_lost: Callable[[Frame], object] | None = None
        self.accepted = self.sent = self.aborted = self.delayed = 0
        self.losses: dict[str, int] = {}
        self.boxes: list[Mailbox] = []
        self.sending: Mailbox | None = None
        self.next_word = NOTHING
        self.segment: Piece | None = None
        self.powered = True
        self.ready = not listen_only
        self._count = self._generation = 0
        self._retry = True
        self._muted = False
        self._swallowing: Event | None = None
        self.receive_depth = receive_depth
        self.auto_recovery = auto_recovery
        self.bit_rate: int | None = None
        self.recovering = False
        self._asked = False
        self._held: int | None = None
        self.overwrites = overwrites
        self.filters: list[Filter] = list(filters)
        self._made = tuple(self.filters), listen_only, single_shot
        self.inbox: deque[tuple[int, Frame]] = deque()
        self.overruns = 0
        self.chip: ChipWatch | None = None
        self.on_receive: Callable[[Controller], object] | None = None
        self.on_state: Callable[[Controller], object] | None = None
        self.hearers: Hearers | None = None

    # ---- for the node: sending

    def send(self, frame: Frame) -> None:
        """Put a frame into a free mailbox. It is sent as soon as it wins the bus.

        :raises MailboxesFull: if no mailbox is free.
        :raises BusOff: if the controller is bus-off.
        :raises NotSending: if it is switched off or only listens.
        :raises NotClassical: if it is a CAN FD frame, and the controller knows none.
        """
        if frame.head.fd and not self.fd:
            raise NotClassical(
                f"node {self.name!r} cannot send the CAN FD frame {frame}: its controller is"
                f" classical, without 'fd'"
            )
        if self.outgoing:
            self._send_through_faults(frame)
        else:
            self._put(frame)
            self.accepted += 1

    def pending(self) -> int:
        """How many frames wait to be sent, the one on the bus included."""
        return len(self.boxes) + (self.sending is not None)

    @property
    def order(self) -> Order:
        """Which waiting frame goes first."""
        return "priority" if self.by_priority else "fifo"

    @property
    def lost(self) -> int:
        """How many accepted frames were lost, for all reasons in ``losses`` together."""
        return sum(self.losses.values())

    def abort_pending(self) -> None:
        """Drop all waiting frames. One already on the bus continues, but is not repeated."""
        for box in self._emptied():
            self._abort(box)
        self._retry = False

    def withdraw(self, frame: Frame) -> None:
        """Drop this frame if it waits. Already on the bus, it continues, but is not repeated."""
        if self.sending is not None and self.sending[2] is frame:
            self._retry = False
            return
        waiting = self._emptied()
        self.boxes += [box for box in waiting if box[2] is not frame]
        if self.by_priority:
            heapify(self.boxes)
        self.offer()
        for box in waiting:
            if box[2] is frame:
                self._abort(box)

    @property
    def muted(self) -> bool:
        """Fault: what the node sends is reported as sent but never reaches the bus.

        A frame already on the bus when the fault begins continues. Each swallowed frame keeps its
        mailbox for as long as it would have taken on an idle bus.
        """
        return self._muted

    @muted.setter
    def muted(self, muted: bool) -> None:
        self._muted = muted
        self._stop_swallowing()
        self.offer()

    # ---- for the segment

    def begin(self) -> Frame:
        """Move the first waiting frame onto the bus."""
        boxes = self.boxes
        self.sending = box = heappop(boxes) if self.by_priority else boxes.pop(0)
        self.next_word = boxes[0][0] if boxes else NOTHING
        self._retry = True
        return box[2]

    def fail_sending(self, *, count: bool = True) -> None:
        """The frame on the bus failed: send it again unless told otherwise.

        :param count: whether rule 3 applies: TEC goes up by eight.
        """
        box, self.sending = self.sending, None
        if box is None:
            return
        if self.single_shot:
            self._lose("single_shot", box[2])
        elif not self._retry:
            self._abort(box)
        else:
            self._put_back(box)
        self.offer()
        if count:
            self.count_transmit_error()

    def finish_sending(self) -> Frame:
        """The frame on the bus was sent, rule 7. Returns it as it was queued."""
        box = self.sending
        assert box is not None
        self.sending = None
        self.sent += 1
        if self.tec:
            self.count_sent()
        return box[2]

    def lose_arbitration(self) -> None:
        """The frame on the bus waits for the next start of frame; this is not a failure."""
        box, self.sending = self.sending, None
        if box is None:
            return
        if self._retry:
            self._put_back(box)
        else:
            self._abort(box)
        self.offer()

    def _put_back(self, box: Mailbox) -> None:
        if self.by_priority:
            heappush(self.boxes, box)
        else:
            self.boxes.insert(0, box)

    def offer(self) -> None:
        """Tell the bus again what there is to send."""
        if self._muted or not self.boxes:
            self.next_word = NOTHING
            self._swallow_next()
            return
        self.next_word = self.boxes[0][0]
        if self.segment is not None and self.segment.idle:
            self.segment.request()

    def drop_all(self, reason: str) -> None:
        """Lose every frame that waits or is on the bus, for a reason that ``losses`` names."""
        boxes = self._emptied()
        if self.sending is not None:
            boxes.append(self.sending)
            self.sending = None
        for box in boxes:
            self._lose(reason, box[2])

    # ---- inside

    def _put(self, frame: Frame) -> None:
        boxes = self.boxes
        if not self.ready or len(boxes) + (self.sending is not None) >= self.mailboxes:
            raise self._refusal(frame)
        self._count += 1
        box = (frame.head.word, self._count, frame)
        if self.by_priority:
            heappush(boxes, box)
        else:
            boxes.append(box)
        if self._muted:
            self._swallow_next()
            return
        self.next_word = boxes[0][0]
        segment = self.segment
        if segment is not None and segment.idle:
            segment.request()

    def _refusal(self, frame: Frame) -> TransmitError:
        cannot = f"node {self.name!r} cannot send {frame}"
        if not self.powered:
            return NotSending(f"{cannot}: it is switched off")
        if self.listen_only:
            return NotSending(f"{cannot}: it only listens")
        if self.state is ErrorState.BUS_OFF:
            return BusOff(f"{cannot}: it is bus-off (TEC {self.tec})")
        return MailboxesFull(f"{cannot}: all {self.mailboxes} mailboxes are full")

    def _send_through_faults(self, frame: Frame) -> None:
        if not self.ready:
            raise self._refusal(frame)
        items = [(0, frame)]
        for fault in self.outgoing:
            items = [
                (delay_ns + more_ns, other)
                for delay_ns, item in items
                for more_ns, other in _instead(fault, item)
            ]
        at_once = [item for delay_ns, item in items if delay_ns <= 0]
        if at_once:
            self._put(at_once[0])
        for item in at_once[1:]:
            self._put_or_lose(item)
        for delay_ns, item in items:
            if delay_ns > 0:
                self._put_after(delay_ns, item)
        if not items:
            self._lose("fault", frame)
        self.accepted += max(1, len(items))

    def _put_after(self, delay_ns: int, frame: Frame) -> None:
        if self.segment is None:
            raise NotSending(f"node {self.name!r} cannot delay {frame}: it has no bus")
        self.segment.bus.queue.after(delay_ns, self._put_late, frame, self._generation)
        self.delayed += 1

    def _put_late(self, frame: Frame, generation: int) -> None:
        self.delayed -= 1
        if generation != self._generation:
            self._lose("power_off", frame)
        else:
            self._put_or_lose(frame)

    def _put_or_lose(self, frame: Frame) -> None:
        try:
            self._put(frame)
        except MailboxesFull:
            self._lose("no_mailbox", frame)
        except BusOff:
            self._lose("bus_off", frame)
        except NotSending:
            self._lose("power_off", frame)

    def _lose(self, reason: str, frame: Frame) -> None:
        self.losses[reason] = self.losses.get(reason, 0) + 1
        if self.on_lost is not None:
            self.on_lost(frame)

    def _abort(self, box: Mailbox) -> None:
        self.aborted += 1
        if self.on_lost is not None:
            self.on_lost(box[2])

    def _emptied(self) -> list[Mailbox]:
        """Take all waiting frames out."""
        boxes = self.boxes.copy()
        self.boxes.clear()
        self.next_word = NOTHING
        self._stop_swallowing()
        return boxes

    def _stop_swallowing(self) -> None:
        if self._swallowing is not None and self.segment is not None:
            self.segment.bus.queue.cancel(self._swallowing)
            self._swallowing = None

    def _swallow_next(self) -> None:
        if self._muted and self.boxes and self._swallowing is None and self.segment is not None:
            bus = self.segment.bus
            self._swallowing = bus.queue.after(bus.frame_ns(self.boxes[0][2]), self._swallowed)

    def _swallowed(self) -> None:
        self._swallowing = None
        if not self._muted or not self.boxes or self.segment is None:
            return
        frame = (heappop(self.boxes) if self.by_priority else self.boxes.pop(0))[2]
        self.sent += 1
        self._swallow_next()
        if self.on_lost is not None:
            self.on_lost(frame)
        if self.on_sent is not None:
            self.on_sent(frame)

    # ---- reception, power, and the way to bus-off and back

    def __repr__(self) -> str:
        return f"<Controller {self.name}: {self.state.value}, TEC {self.tec}, REC {self.rec}>"

    @property
    def online(self) -> bool:
        """Whether it takes part on the bus: switched on and not bus-off."""
        return self.powered and self.state is not ErrorState.BUS_OFF

    def receive(self) -> tuple[int, Frame] | None:
        """Take the oldest received frame and its instant of reception in ns, or None."""
        return self.inbox.popleft() if self.inbox else None

    def accepts(self, frame: Frame) -> bool:
        """Whether the acceptance filters let a frame through."""
        if not self.filters:
            return True
        for can_id, mask, extended in self.filters:
            if (frame.identifier ^ can_id) & mask == 0 and extended in (None, frame.extended):
                return True
        return False

    def request_recovery(self) -> None:
        """Ask to come back from bus-off, after 128 times 11 recessive bits. No effect otherwise."""
        if self.state is ErrorState.BUS_OFF and self.powered and not self.recovering:
            if self._held is not None:
                self._asked = True
                return
            self.recovering = True
            if self.segment is not None:
                self.segment.recover(self)

    def listen(self, *, only: bool) -> None:
        """Only listen from now on, without sending or acknowledging, or take part again. Waiting
        frames are lost.
        """
        if only == self.listen_only:
            return
        if only:
            self._leave("listen_only")
        self.listen_only = only
        self.ready = self.powered and not only and self.state is not ErrorState.BUS_OFF
        if self.segment is not None:
            self.segment.enter(self)

    def restore_settings(self) -> None:
        """Restore filters, listen-only and single shot as the controller was made: what a program
        changed of them does not survive a reset.
        """
        filters, listen_only, self.single_shot = self._made
        self.filters = list(filters)
        self.listen(only=listen_only)

    def recovered(self) -> None:
        """Rule 12: back from bus-off with both counters at zero."""
        self.recovering = False
        self.reset_counters()
        self.ready = not self.listen_only
        self._announce()

    def power_off(self) -> None:
        """Leave the bus at once. Mailboxes, FIFO and error counters are cleared.

        A frame of its own on the bus breaks off, and the others see an error.
        """
        if not self.powered:
            return
        self._leave("power_off")
        self.powered = self.ready = self.recovering = self._asked = False
        self._generation += 1
        self.inbox.clear()
        self.reset_counters()

    def power_on(self) -> None:
        """Take part from the next start of frame on, with both error counters at zero."""
        if self.powered:
            return
        self.powered = True
        self.ready = not self.listen_only
        if self.segment is not None:
            self.segment.enter(self)
        if self._held is not None:
            self.force_bus_off()

    def force_bus_off(self) -> None:
        """Fault: go bus-off now, as if the transmit error counter had reached 256."""
        if self.online:
            self._leave("bus_off")
            self.tec, self.rec = BUS_OFF_LEVEL, self._held or self.rec
            self.refresh_state()

    def hold_bus_off(self, rec: int) -> None:
        """Fault: go bus-off now and stay, with REC as given: the controller sees no recessive bits
        to count.
        """
        self._held = rec
        if self.online:
            self.force_bus_off()
        elif self.powered:
            self._asked, self.recovering, self.rec = self.recovering, False, rec
            self._leave("bus_off")

    def release_bus_off(self) -> None:
        """End the fault: a recovery that was asked for begins now."""
        self._held = None
        if self._asked:
            self._asked = False
            self.request_recovery()

    def attached(self) -> None:
        """Resume on a new bus what was begun without one."""
        if self.recovering and self.segment is not None:
            self.segment.recover(self)
        self.offer()

    def state_changed(self) -> None:
        """Bus-off drops all waiting frames, and may start recovery by itself."""
        if self.state is ErrorState.BUS_OFF:
            self.ready = False
            self.drop_all("bus_off")
            if self.segment is not None:
                self.segment.forget_hearers()
            if self.auto_recovery:
                self.request_recovery()
        self._announce()

    def _leave(self, reason: str) -> None:
        if self.segment is not None:
            self.segment.leave(self)
        self.drop_all(reason)

    def _announce(self) -> None:
        if self.on_state is None:
            return
        if self.segment is None:
            self._tell_state()
        else:
            queue = self.segment.bus.queue
            queue.at(queue.now_ns, self._tell_state)

    def _tell_state(self) -> None:
        if self.on_state is not None:
            self.on_state(self)

    # ---- fault confinement: the rules of Bosch CAN Specification 2.0, part B section 8

    @property
    def warning(self) -> bool:
        """Whether a counter is at the error-warning level of 96 or above."""
        return self.tec >= WARNING_LEVEL or self.rec >= WARNING_LEVEL

    def count_sent(self) -> None:
        """Rule 7: a frame was sent without an error, TEC goes down by one. TEC must not be 0."""
        self.tec -= 1
        if self.tec == PASSIVE_LEVEL - 1:
            self.refresh_state()

    def count_transmit_error(self) -> None:
        """Rule 3: an error flag was sent as transmitter, TEC goes up by eight."""
        self.tec += 8
        self.refresh_state()

    def count_received(self) -> None:
        """Rule 8: a frame was received without an error, REC goes down by one. It must not be 0.

        From above 127 it is set to 127; the rule allows any value from 119 to 127.
        """
        if self.rec >= PASSIVE_LEVEL:
            self.rec = PASSIVE_LEVEL - 1
            self.refresh_state()
        else:
            self.rec -= 1

    def count_receive_error(self, amount: int = 1) -> None:
        """Rules 1 and 2. Above 127 the counter need not go on counting (addendum), so it stops."""
        if self.rec < PASSIVE_LEVEL:
            self.rec += amount
            self.refresh_state()

    def refresh_state(self) -> None:
        """Rules 9 to 11: derive the state from the counters. Bus-off ends only by rule 12."""
        if self.tec >= BUS_OFF_LEVEL:
            state = ErrorState.BUS_OFF
        elif self.tec >= PASSIVE_LEVEL or self.rec >= PASSIVE_LEVEL:
            state = ErrorState.PASSIVE
        else:
            state = ErrorState.ACTIVE
        if state is not self.state and self.state is not ErrorState.BUS_OFF:
            self.state = state
            self.state_changed()

    def reset_counters(self) -> None:
        """Both counters at zero and error-active: rule 12, or a controller switched on."""
        self.tec = self.rec = 0
        self.state = ErrorState.ACTIVE


def _instead(fault: OutgoingFault, frame: Frame) -> list[tuple[int, Frame]]:
    replaced = fault(frame)
    return [(0, frame)] if replaced is None else replaced


@dataclass(frozen=True, slots=True, eq=False)
class Hearers:
    """Who hears a frame, and whether one of them acknowledges it."""

    receivers: tuple[Controller, ...]
    names: tuple[str, ...]
    acknowledged: bool
    counting: bool
    """Whether the frame lowers a receive error counter."""

    @classmethod
    def of(cls, receivers: tuple[Controller, ...]) -> Hearers:
        acknowledged = any(not receiver.listen_only for receiver in receivers)
        counting = any(receiver.rec for receiver in receivers)
        return cls(receivers, tuple(r.name for r in receivers), acknowledged, counting)


def deliver(
    now_ns: int, frame: Frame, receivers: tuple[Controller, ...]
) -> tuple[list[Controller], tuple[str, ...]]:
    """Put a frame into the receive FIFOs. Returns the controllers whose programs are to be called,
    and the names of those whose FIFO was full.
    """
    received = (now_ns, frame)
    woken = []
    overrun: tuple[str, ...] = ()
    for receiver in receivers:
        if receiver.filters and not receiver.accepts(frame):
            continue
        inbox = receiver.inbox
        if len(inbox) >= receiver.receive_depth:
            receiver.overruns += 1
            overrun += (receiver.name,)
            if not receiver.overwrites:
                continue
            inbox.pop()
        inbox.append(received)
        if receiver.on_receive is not None:
            woken.append(receiver)
    return woken, overrun
