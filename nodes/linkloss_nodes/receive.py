"""The receiving side of a node: which messages are good, and since when there was none.

A load's fail-safe state begins when its link has been silent for too long. The time runs from the
last good message of exactly the wanted kind; it is watched by a timer and not by the next frame
that happens to arrive, and it does not care about any clock's roll-over.
"""

from __future__ import annotations

from collections.abc import Callable

import can

from linkloss_nodes.api import Board, SettingsError
from linkloss_nodes.fields import Field, find_field, find_message
from linkloss_nodes.protect import Protection, Sequence

GOOD_TO_RETURN = 2
"""Good messages in a row that end a silence."""


class Link:
    """One message as one user of it sees it: its newest good content, or that it is stale.

    ``on_news`` are called when a good message brings something new or ends a silence, ``on_stale``
    when the silence has lasted ``stale_after_ns``, counted from the start at first. The first
    message after the start counts at once. After a silence it takes ``GOOD_TO_RETURN`` in a row:
    the first one alone may come from a sender that repeats old content for ever.
    """

    def __init__(
        self,
        board: Board,
        protection: Protection,
        stale_after_ns: int,
        max_step: int,
        field: Field | None = None,
    ) -> None:
        """``field``: only the messages that have this signal count, and all of them for the
        counter.
        """
        self.fresh = False
        self.data = b""
        self.on_news: list[Callable[[], object]] = []
        self.on_stale: list[Callable[[], object]] = []
        self._board = board
        self._protection = protection
        self._sequence = Sequence(protection.modulo, max_step)
        self._stale_after_ns = stale_after_ns
        self._field = field
        self._heard_ns = 0
        self._content = -1
        self._watched = False
        self._needed = 1
        self._stale = False

    def start(self) -> None:
        """Begin to wait for the first message."""
        self._heard_ns = self._board.now_ns()
        self._watch(self._stale_after_ns)

    def arrived(self, data: bytes, count: int | None, content: int) -> None:
        """A message of the right length with the right checksum came in."""
        if count is not None and not self._sequence.accept(count):
            return
        if self._field is not None and not self._field.present(data):
            return
        self._heard_ns = self._board.now_ns()
        if self.fresh:
            if content == self._content:
                return
        elif not self._comes_back():
            return
        self.data = data
        self._content = content
        self.fresh, self._stale = True, False
        for action in self.on_news:
            action()

    def _comes_back(self) -> bool:
        if not self._watched:
            self._watch(self._stale_after_ns)
        self._needed -= 1
        return self._needed <= 0

    def _watch(self, delay_ns: int) -> None:
        self._watched = True
        self._board.after(delay_ns, self._look)

    def _look(self) -> None:
        left_ns = self._heard_ns + self._stale_after_ns - self._board.now_ns()
        if left_ns > 0:
            self._watch(left_ns)
            return
        self._watched = False
        self._needed = GOOD_TO_RETURN
        self._sequence.forget()
        if self._stale:
            return  # a single message broke the silence, and none followed it
        self.fresh, self._stale = False, True
        for action in self.on_stale:
            action()


class _Entry:
    def __init__(self, protection: Protection) -> None:
        self.protection = protection
        self.links: list[Link] = []


class Receiver:
    """All messages that a node listens to."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._entries: dict[tuple[int, bool], _Entry] = {}
        self._links: dict[tuple[object, ...], Link] = {}

    def listen(
        self,
        message: str,
        stale_after_ns: int,
        max_step: int | None = None,
        field: Field | None = None,
    ) -> Link:
        """Follow a message; where ``field`` is multiplexed, only the messages that have it. Who
        asks for the same with the same limits shares the link.

        ``max_step`` is the largest right step of its counter; by default the number of its periods
        in ``stale_after_ns``. Raises SettingsError for a message that does not exist.
        """
        definition = find_message(self._board.messages, message)
        if max_step is None:
            period_ns = round((definition.cycle_time or 0) * 1_000_000)
            max_step = max(1, stale_after_ns // period_ns) if period_ns else 1
        if field is not None and not field.page:
            field = None
        page = () if field is None else tuple((switch.name, ids) for switch, ids in field.page)
        key = (message, stale_after_ns, max_step, page)
        if key not in self._links:
            place = (definition.frame_id, bool(definition.is_extended_frame))
            entry = self._entries.get(place)
            if entry is None:
                entry = self._entries[place] = _Entry(Protection(definition))
            link = Link(self._board, entry.protection, stale_after_ns, max_step, field)
            entry.links.append(link)
            self._links[key] = link
        return self._links[key]

    def field(self, message: str, signal: str) -> Field:
        """A signal of a message. Raises SettingsError."""
        return find_field(find_message(self._board.messages, message), signal)

    @property
    def all_fresh(self) -> bool:
        """Whether no link is stale."""
        return all(link.fresh for link in self._links.values())

    def start(self) -> None:
        """Set the controller's filters, so that only these messages come in, and begin to wait."""
        if not self._entries:
            raise SettingsError("", "this node listens to no message at all")
        self._board.bus.set_filters(
            [
                {
                    "can_id": identifier,
                    "can_mask": 0x1FFFFFFF if extended else 0x7FF,
                    "extended": extended,
                }
                for identifier, extended in self._entries
            ],
        )
        for link in self._links.values():
            link.start()

    def on_frame(self, message: can.Message) -> None:
        """A frame came in."""
        entry = self._entries.get((message.arbitration_id, message.is_extended_id))
        if entry is None or message.is_remote_frame or message.is_error_frame:
            return
        data = bytes(message.data)
        protection = entry.protection
        if not protection.intact(data):
            return
        count = None if protection.counter is None else protection.counter.get(data)
        content = protection.content(data)
        for link in entry.links:
            link.arrived(data, count, content)
