"""The sending side of a node: states, repeated in time and at once when they change.

Everything sent is a state and the newest one there is: what a full controller could not take is
not kept as it was but built anew at the next try, and what has waited in its mailboxes for too
long is withdrawn, so that no old request goes out when a broken cable is mended.
"""

from __future__ import annotations

from collections.abc import Callable

import can

from linkloss_nodes.api import MS, Board, S, SettingsError, Timer
from linkloss_nodes.fields import Field, find_field, find_message
from linkloss_nodes.protect import Protection

RETRY_NS = 2 * MS
"""How soon a full controller is tried again."""
BUS_OFF_RETRY_NS = 10 * MS
"""How soon one that is bus-off is."""
WITHDRAW_AFTER_NS = 10 * MS
"""After so long without a free mailbox their content is old and withdrawn."""
LATE_NS = MS
"""A timer that is later than this says that the program was stuck."""
BACK_OFF_NS = (25 * MS, 25 * MS, 25 * MS, 25 * MS, 200 * MS)
"""Waits before each attempt to come back from bus-off, the last one for all that follow; a
pattern seen in vehicle makers' specifications."""
CALM_NS = S
"""After so long since the last bus-off the back-off begins anew."""


class Outgoing:
    """One message that this node sends."""

    def __init__(self, sender: Sender, name: str, min_gap_ns: int) -> None:
        message = find_message(sender.board.messages, name)
        self.name = name
        self.before_sending: list[Callable[[], object]] = []
        self._message = message
        self._sender = sender
        self._protection = Protection(message)
        self._fields: dict[str, Field] = {}
        self._values: dict[str, float] = {}
        self._data = bytearray(message.length)
        self._count = 0
        self._period_ns = round((message.cycle_time or 100) * MS)
        self._gap_ns = min_gap_ns
        self._sent: bytes | None = None
        self._sent_ns: int | None = None
        self._news: set[str] = set()
        self._due_ns = 0
        self._timer_ns: int | None = None
        self._timer: Timer | None = None

    def field(self, signal: str) -> Field:
        """A signal of the message. Raises SettingsError; also for one that is multiplexed, because
        every message goes out with all signals that are set.
        """
        if signal not in self._fields:
            field = find_field(self._message, signal)
            if field.page:
                text = "is multiplexed, which this program does not send; expected a signal of"
                raise SettingsError("", f"'{signal}' {text} every frame of '{self.name}'")
            self._fields[signal] = field
        return self._fields[signal]

    def set(self, signal: str, value: float, *, urgent: bool = True) -> None:
        """Change a signal, in its unit. An urgent change is sent at once, or after the least gap
        since the last message; not where it is taken back before.
        """
        if self._values.get(signal) == value:
            return
        field = self.field(signal)
        raw = field.raw(value)
        self._values[signal] = value
        if field.get(self._data) == raw:
            return
        field.put(self._data, raw)
        if not urgent or self._sent_ns is None:
            return
        if self._sent is not None and field.get(self._sent) == raw:
            self._news.discard(signal)
        else:
            self._news.add(signal)
        wait_ns = self._gap_ns if self._news else self._period_ns
        self._arm(max(self._sender.board.now_ns(), self._sent_ns + wait_ns))

    def start(self, delay_ns: int) -> None:
        """Send for the first time after ``delay_ns``, then every period."""
        self._sent_ns = self._sender.board.now_ns() + delay_ns - self._gap_ns
        self._arm(self._sender.board.now_ns() + delay_ns)

    def build(self) -> can.Message:
        """The message as it is now, counter and checksum included."""
        for refresh in self.before_sending:
            refresh()
        self._protection.seal(self._data, self._count)
        return can.Message(
            arbitration_id=self._message.frame_id,
            is_extended_id=bool(self._message.is_extended_frame),
            data=bytes(self._data),  # a copy: the message may still wait while we go on
            is_fd=self._message.is_fd,
            bitrate_switch=self._message.is_fd,
        )

    def _arm(self, when_ns: int) -> None:
        self._due_ns = when_ns
        if self._timer_ns is not None and self._timer_ns <= when_ns:
            return  # it looks again when it comes due
        if self._timer is not None:
            self._timer.cancel()
        self._timer_ns = when_ns
        self._timer = self._sender.board.after(when_ns - self._sender.board.now_ns(), self._look)

    def _look(self) -> None:
        now_ns = self._sender.board.now_ns()
        assert self._timer_ns is not None
        late = now_ns - self._timer_ns > LATE_NS
        self._timer_ns = self._timer = None
        if late:
            self._sender.woken_late()
        if now_ns < self._due_ns:
            self._arm(self._due_ns)
            return
        again_ns = self._sender.send(self)
        if again_ns:
            self._arm(now_ns + again_ns)
            return
        self._count += 1
        self._sent, self._sent_ns = bytes(self._data), now_ns
        self._news.clear()
        self._arm(now_ns + self._period_ns)


class Sender:
    """All messages that a node sends, and its way back from bus-off.

    ``came_back`` tells whether the controller has been bus-off since the program began,
    ``handed_ns`` when it was last handed something.
    ``on_late`` is called before anything is sent by a program that was stuck for a moment.
    """

    def __init__(self, board: Board, min_gap_ns: int = 10 * MS) -> None:
        self.board = board
        self.came_back = False
        self.handed_ns = board.now_ns()
        self.on_late: Callable[[], object] | None = None
        self._gap_ns = min_gap_ns
        self._messages: dict[str, Outgoing] = {}
        self._full_since_ns: int | None = None
        self._recovery: Timer | None = None
        self._attempts = 0
        self._attempt_ns = 0

    def message(self, name: str) -> Outgoing:
        """A message that this node sends. Raises SettingsError when there is none such."""
        if name not in self._messages:
            self._messages[name] = Outgoing(self, name, self._gap_ns)
        return self._messages[name]

    def start(self) -> None:
        """Begin to send. The messages begin one after the other, not all in one instant."""
        for index, message in enumerate(self._messages.values()):
            message.start(index * 3 * MS)

    def woken_late(self) -> None:
        """A timer came too late."""
        if self.on_late is not None:
            self.on_late()

    def send(self, message: Outgoing) -> int:
        """Hand a message to the controller. Returns 0, or in how many ns to try again."""
        try:
            self._hand(message)
        except can.CanOperationError:
            return self._refused(message)
        self._full_since_ns = None
        return 0

    def _hand(self, message: Outgoing) -> None:
        self.board.bus.send(message.build())
        self.handed_ns = self.board.now_ns()

    def _refused(self, message: Outgoing) -> int:
        now_ns = self.board.now_ns()
        if self.board.bus.state == can.BusState.ERROR:
            self._full_since_ns = None
            self._plan_recovery(now_ns)
            return BUS_OFF_RETRY_NS
        if self._full_since_ns is None:
            self._full_since_ns = now_ns
        if now_ns - self._full_since_ns < WITHDRAW_AFTER_NS:
            return RETRY_NS
        self._full_since_ns = None
        self.board.bus.flush_tx_buffer()
        try:
            self._hand(message)
        except can.CanOperationError:
            return RETRY_NS
        return 0

    def _plan_recovery(self, now_ns: int) -> None:
        if self._recovery is not None:
            return
        if now_ns - self._attempt_ns > CALM_NS:
            self._attempts = 0
        wait_ns = BACK_OFF_NS[min(self._attempts, len(BACK_OFF_NS) - 1)]
        self._recovery = self.board.after(wait_ns, self._recover)

    def _recover(self) -> None:
        self._recovery = None
        if self.board.bus.state == can.BusState.ERROR:
            self._attempts += 1
            self._attempt_ns = self.board.now_ns()
            self.came_back = True
            self.board.recover_bus()
