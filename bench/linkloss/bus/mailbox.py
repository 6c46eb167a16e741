"""The sending half of a controller: transmit mailboxes, and the faults that sit before them.

The mailbox that goes next is always known (``next_word``), so that the bus can tell at a glance
who has what to send.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush
from typing import TYPE_CHECKING, Literal

from linkloss.bus.confinement import Confinement, ErrorState
from linkloss.bus.frame import Frame
from linkloss.bus.refusal import BusOff, MailboxesFull, NotClassical, NotSending, TransmitError

if TYPE_CHECKING:
    from linkloss.bus.segment import Segment
    from linkloss.clock.queue import Event

NOTHING = 1 << 32
"""Ranks below every arbitration word: there is nothing to send."""

Order = Literal["priority", "fifo"]
Mailbox = tuple[int, int, Frame]
"""A frame waiting to be sent: arbitration word, running number of the controller, frame."""
OutgoingFault = Callable[[Frame], list[tuple[int, Frame]] | None]


class Transmitter(Confinement):
    """Transmit mailboxes in order of priority or of arrival. See :class:`Controller`."""

    __slots__ = (
        "_count",
        "_life",
        "_muted",
        "_retry",
        "_swallowing",
        "aborted",
        "accepted",
        "boxes",
        "by_priority",
        "delayed",
        "fd",
        "listen_only",
        "losses",
        "mailboxes",
        "name",
        "next_word",
        "on_sent",
        "outgoing",
        "powered",
        "ready",
        "segment",
        "sending",
        "sent",
        "single_shot",
    )

    def __init__(
        self,
        name: str,
        mailboxes: int,
        order: Order,
        listen_only: bool,
        single_shot: bool,
        fd: bool,
    ) -> None:
        super().__init__()
        if mailboxes < 1:
            raise ValueError(f"controller {name!r} needs at least 1 mailbox, not {mailboxes}")
        if order not in ("priority", "fifo"):
            raise ValueError(f"controller {name!r}: order is 'priority' or 'fifo', not {order!r}")
        self.name = name
        self.mailboxes = mailboxes
        self.by_priority = order == "priority"
        self.listen_only = listen_only
        self.single_shot = single_shot
        self.fd = fd
        self.outgoing: list[OutgoingFault] = []
        self.on_sent: Callable[[Frame], object] | None = None
        self.accepted = self.sent = self.aborted = self.delayed = 0
        self.losses: dict[str, int] = {}
        self.boxes: list[Mailbox] = []
        self.sending: Mailbox | None = None
        self.next_word = NOTHING
        self.segment: Segment | None = None
        self.powered = True
        self.ready = not listen_only
        self._count = self._life = 0
        self._retry = True
        self._muted = False
        self._swallowing: Event | None = None

    # ---- for the node

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
        """Drop all waiting frames. One already on the bus goes on, but is not repeated."""
        self.aborted += len(self.boxes)
        self._empty()
        self._retry = False

    @property
    def muted(self) -> bool:
        """Fault: what the node sends is reported as sent but never reaches the bus.

        A frame already on the bus when the fault begins goes on. Each swallowed frame keeps its
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
            self._lose("single_shot")
        elif not self._retry:
            self.aborted += 1
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
        """The frame on the bus has to wait for the next start of frame, which is no failure."""
        box, self.sending = self.sending, None
        if box is None:
            return
        if self._retry:
            self._put_back(box)
        else:
            self.aborted += 1
        self.offer()

    def _put_back(self, box: Mailbox) -> None:
        if self.by_priority:
            heappush(self.boxes, box)
        else:
            self.boxes.insert(0, box)

    def offer(self) -> None:
        """Let the bus know, anew, what there is to send."""
        if self._muted or not self.boxes:
            self.next_word = NOTHING
            self._swallow_next()
            return
        self.next_word = self.boxes[0][0]
        if self.segment is not None and self.segment.idle:
            self.segment.request()

    def drop_all(self, reason: str) -> None:
        """Lose every frame that waits or is on the bus, for a reason that ``losses`` names."""
        self._lose(reason, self.pending())
        self._empty()
        self.sending = None

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
            self._lose("fault")
        self.accepted += max(1, len(items))

    def _put_after(self, delay_ns: int, frame: Frame) -> None:
        if self.segment is None:
            raise NotSending(f"node {self.name!r} cannot delay {frame}: it has no bus")
        self.segment.bus.queue.after(delay_ns, self._put_late, frame, self._life)
        self.delayed += 1

    def _put_late(self, frame: Frame, life: int) -> None:
        self.delayed -= 1
        if life != self._life:
            self._lose("power_off")
        else:
            self._put_or_lose(frame)

    def _put_or_lose(self, frame: Frame) -> None:
        try:
            self._put(frame)
        except MailboxesFull:
            self._lose("no_mailbox")
        except BusOff:
            self._lose("bus_off")
        except NotSending:
            self._lose("power_off")

    def _lose(self, reason: str, count: int = 1) -> None:
        if count:
            self.losses[reason] = self.losses.get(reason, 0) + count

    def _empty(self) -> None:
        self.boxes.clear()
        self.next_word = NOTHING
        self._stop_swallowing()

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
        if self.on_sent is not None:
            self.on_sent(frame)


def _instead(fault: OutgoingFault, frame: Frame) -> list[tuple[int, Frame]]:
    replaced = fault(frame)
    return [(0, frame)] if replaced is None else replaced
