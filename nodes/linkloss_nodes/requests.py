"""All requests of a node together: evaluated when an input, a signal or the time changes them."""

from __future__ import annotations

from collections.abc import Mapping

from linkloss_nodes.api import MS, Board, Timer
from linkloss_nodes.condition import Value
from linkloss_nodes.debounce import Debouncer
from linkloss_nodes.fields import Field, split_signal
from linkloss_nodes.receive import Link, Receiver
from linkloss_nodes.request import Request, RequestSettings
from linkloss_nodes.transmit import Outgoing, Sender

DEFAULT_STALE_MS = 250
"""A received signal counts as unknown after so long: five periods of 50 ms, common practice."""


class Requests:
    """The requests that one node sends.

    Raises SettingsError for messages and signals that do not exist.
    """

    def __init__(
        self,
        board: Board,
        sender: Sender,
        receiver: Receiver,
        settings: Mapping[str, RequestSettings],
        stale_after_ms: Mapping[str, int],
    ) -> None:
        self._board = board
        self._requests = [Request(board, name, entry) for name, entry in settings.items()]
        self._places: list[tuple[Outgoing, str]] = []
        for name in settings:
            message, signal = split_signal(name)
            outgoing = sender.message(message)
            outgoing.field(signal)
            self._places.append((outgoing, signal))
        names = dict.fromkeys(name for request in self._requests for name in request.names)
        self._values: dict[str, Value | None] = dict.fromkeys(names)
        self.inputs = tuple(name for name in names if "." not in name)
        self._timer: Timer | None = None
        self._timer_ns = 0
        self._running = False
        self.flashing_since_ns: int | None = None
        for name in names:
            if "." in name:
                self._follow(receiver, name, stale_after_ms)

    def _follow(self, receiver: Receiver, name: str, stale_after_ms: Mapping[str, int]) -> None:
        message, signal = split_signal(name)
        field = receiver.field(message, signal)
        stale_after_ns = stale_after_ms.get(message, DEFAULT_STALE_MS) * MS
        link = receiver.listen(message, stale_after_ns, field=field)
        link.on_news.append(lambda: self._news(name, link, field))
        link.on_stale.append(lambda: self.changed(name, None))

    def _news(self, name: str, link: Link, field: Field) -> None:
        self.changed(name, field.physical(field.get(link.data)))

    def begin(self, inputs: Debouncer) -> None:
        """All inputs have settled: from now on the requests are worked out."""
        for name in self.inputs:
            self._values[name] = inputs.values[name]
        self._running = True
        self.evaluate()

    def changed(self, name: str, value: Value | None) -> None:
        """A settled input or a received signal has a new value; None: it is not known."""
        if name in self._values and self._values[name] != value:
            self._values[name] = value
            if self._running:
                self.evaluate()

    def evaluate(self) -> None:
        """Work out all requests and hand the changed ones to the sender."""
        flashing = False
        ends = []
        for request, (outgoing, signal) in zip(self._requests, self._places, strict=True):
            on = request.evaluate(self._values)
            outgoing.set(signal, 1.0 if on else 0.0)
            flashing = flashing or (on and request.flashes)
            end_ns = request.ends_ns()
            if end_ns is not None:
                ends.append(end_ns)
        if not flashing:
            self.flashing_since_ns = None
        elif self.flashing_since_ns is None:
            self.flashing_since_ns = self._board.now_ns()
        if ends:
            self._wake_at(min(ends))

    def _wake_at(self, when_ns: int) -> None:
        if self._timer is not None:
            if self._timer_ns <= when_ns:
                return
            self._timer.cancel()
        self._timer_ns = when_ns
        self._timer = self._board.after(when_ns - self._board.now_ns(), self._wake)

    def _wake(self) -> None:
        self._timer = None
        self.evaluate()
