"""One node's protocol controller: what the CAN chip in a node does by itself.

It is built in three storeys: error counters (confinement.py), transmit mailboxes (mailbox.py),
and here reception, power and the way to and from bus-off.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from linkloss.bus.confinement import BUS_OFF_LEVEL, PASSIVE_LEVEL, WARNING_LEVEL, ErrorState
from linkloss.bus.frame import Frame
from linkloss.bus.mailbox import NOTHING, Mailbox, Order, OutgoingFault, Transmitter
from linkloss.bus.refusal import BusOff, MailboxesFull, NotSending, TransmitError

if TYPE_CHECKING:
    from linkloss.bus.delivery import Audience

__all__ = [
    "BUS_OFF_LEVEL",
    "NOTHING",
    "PASSIVE_LEVEL",
    "WARNING_LEVEL",
    "BusOff",
    "Controller",
    "ErrorState",
    "Filter",
    "Mailbox",
    "MailboxesFull",
    "NotSending",
    "Order",
    "OutgoingFault",
    "TransmitError",
]

Filter = tuple[int, int, bool | None]
"""Identifier, mask, and which kind: True extended, False base, None both."""


class Controller(Transmitter):
    """A CAN controller, to be attached to a bus.

    :param name: the node's name, unique on its bus.
    :param mailboxes: how many frames may wait to be sent, the one on the bus included.
    :param order: which waiting frame goes first: ``"priority"`` the one with the lowest
        arbitration word, ``"fifo"`` the one that was put in first.
    :param receive_depth: how many received frames the FIFO holds; further ones are lost.
    :param auto_recovery: begin to recover from bus-off without being asked.
    :param listen_only: never send, never acknowledge.
    :param single_shot: send each frame once, whatever becomes of it; one that loses arbitration has
        not been sent and stays.
    :param fd: whether it knows CAN FD frames; one that does not takes them for damaged.
    :param overwrites: with a full FIFO the newest frame in it is lost, and not the one that comes.
    :param filters: acceptance filters, see below.
    :raises ValueError: if a number is below 1 or the order is unknown.

    Callbacks, None unless set: ``on_receive(controller)`` after a frame went into the FIFO,
    ``on_sent(frame)`` after a frame was sent, ``on_state(controller)`` after the error state
    changed (at the same instant, when the nodes' turn has come).

    ``filters`` lists (identifier, mask, extended or None for both kinds); none accepts all.
    ``outgoing`` are faults on the way from the node's program to the mailboxes: each is shown a
    frame and returns None (unchanged) or what is to be queued instead as (delay in ns, frame).

    ``bit_rate`` is None, or a fault: the bit rate that it runs at while the bus has another. See
    :meth:`linkloss.bus.Bus.rewiring`, within which it is to be changed.

    Every frame that :meth:`send` accepted is accounted for: ``accepted`` = ``sent`` +
    ``aborted`` + ``lost`` + ``delayed`` + ``pending()``. ``losses`` names the reasons. These
    tallies and ``overruns`` are the bench's own and outlive a loss of power.
    """

    __slots__ = (
        "_asked",
        "_held",
        "_made",
        "audience",
        "auto_recovery",
        "bit_rate",
        "filters",
        "inbox",
        "on_receive",
        "on_state",
        "overruns",
        "overwrites",
        "receive_depth",
        "recovering",
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
        super().__init__(name, mailboxes, order, listen_only, single_shot, fd)
        if receive_depth < 1:
            raise ValueError(f"controller {name!r} receives at least 1 frame, not {receive_depth}")
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
        self.on_receive: Callable[[Controller], object] | None = None
        self.on_state: Callable[[Controller], object] | None = None
        self.audience: Audience | None = None

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
        """Ask to come back from bus-off, after 128 times 11 recessive bits. Else no effect."""
        if self.state is ErrorState.BUS_OFF and self.powered and not self.recovering:
            if self._held is not None:
                self._asked = True
                return
            self.recovering = True
            if self.segment is not None:
                self.segment.recover(self)

    def listen(self, *, only: bool) -> None:
        """Only listen from now on, without sending or acknowledging, or take part again. What
        waits to be sent is lost.
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
        """Filters, listening only and single shot as the controller was made with: what a program
        changed of them does not outlive a reset.
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

        A frame of its own on the bus breaks off and the others see an error.
        """
        if not self.powered:
            return
        self._leave("power_off")
        self.powered = self.ready = self.recovering = self._asked = False
        self._life += 1
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
        """Fault: go bus-off now and stay, with REC as given: it sees no recessive bits to count."""
        self._held = rec
        if self.online:
            self.force_bus_off()
        elif self.powered:
            self._asked, self.recovering, self.rec = self.recovering, False, rec
            self._leave("bus_off")

    def release_bus_off(self) -> None:
        """It sees the bus again: a recovery that was asked for begins now."""
        self._held = None
        if self._asked:
            self._asked = False
            self.request_recovery()

    def attached(self) -> None:
        """Take up on a new bus what was begun without one."""
        if self.recovering and self.segment is not None:
            self.segment.recover(self)
        self.offer()

    def state_changed(self) -> None:
        """Bus-off drops all that waits, and may begin to recover by itself."""
        if self.state is ErrorState.BUS_OFF:
            self.ready = False
            self.drop_all("bus_off")
            if self.segment is not None:
                self.segment.forget_audiences()
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
