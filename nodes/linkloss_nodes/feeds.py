"""All outputs of a node together: their pins, their links, their inputs, their flash cycle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from linkloss_nodes.api import MS, Board
from linkloss_nodes.condition import Value
from linkloss_nodes.feed import Feed, FeedSettings
from linkloss_nodes.fields import find_field, find_message, split_signal
from linkloss_nodes.flasher import Flasher, FlashSettings, FlashTime
from linkloss_nodes.receive import Link, Receiver


class Feeds:
    """The outputs of one node."""

    def __init__(
        self,
        board: Board,
        receiver: Receiver,
        outputs: Mapping[str, FeedSettings],
        flash: FlashSettings,
    ) -> None:
        self._board = board
        self._flasher = Flasher(board, flash)
        self._time = flash_time(board, flash)
        feeds = {
            name: Feed(board, name, settings, self._flasher) for name, settings in outputs.items()
        }
        self._feeds = list(feeds.values())
        self._names = list(feeds)
        for name, settings in outputs.items():
            for other in settings.only_with:
                feeds[name].with_it.append(feeds[other])
                feeds[other].followers.append(feeds[name])
        self._values: dict[str, Value | None] = {}
        self._follow_time(receiver, outputs, flash)
        for feed in self._feeds:
            feed.connect(receiver)

    @property
    def feeds(self) -> Sequence[Feed]:
        """The outputs one by one."""
        return self._feeds

    def start(self) -> None:
        """Set all pins from what is known without a message: the node's own inputs."""
        for feed in self._feeds:
            for name in feed.names:
                self._values[name] = self._board.read(name)
        for feed in self._feeds:
            feed.apply(self._values)

    def on_input(self, name: str, value: Value) -> None:
        """An input has changed."""
        if name not in self._values:
            return
        self._values[name] = value
        for feed in self._feeds:
            if name in feed.names:
                feed.apply(self._values)

    def rest(self) -> None:
        """Switch all off."""
        for name in self._names:
            self._board.write(name, 0.0)

    def look(self) -> None:
        """Read all inputs again, in case the program was not there when one of them moved."""
        for name, known in self._values.items():
            value = self._board.read(name)
            if value != known:
                self.on_input(name, value)

    def _follow_time(
        self, receiver: Receiver, outputs: Mapping[str, FeedSettings], flash: FlashSettings
    ) -> None:
        """Hear the sender's cycle by the link of the first lamp that flashes by its message; this
        comes before the lamps themselves, so that they begin in step.
        """
        if self._time is None or flash.time is None:
            return
        message = split_signal(flash.time)[0]
        for settings in outputs.values():
            asked = any(split_signal(name)[0] == message for name in settings.signals)
            if asked and settings.flashes:
                stale_after_ns = (settings.stale_after_ms or 0) * MS
                self._hear(receiver.listen(message, stale_after_ns, settings.max_step))
                return

    def _hear(self, link: Link) -> None:
        link.on_news.append(lambda: self._heard(link))
        link.on_stale.append(lambda: self._flasher.heard(None))

    def _heard(self, link: Link) -> None:
        assert self._time is not None
        self._flasher.heard(self._time.decode(link.data))


def flash_time(board: Board, flash: FlashSettings) -> FlashTime | None:
    """The signal that carries the time in the cycle, if there is one. Raises SettingsError."""
    if flash.time is None:
        return None
    message, signal = split_signal(flash.time)
    definition = find_message(board.messages, message)
    return FlashTime(find_field(definition, signal))
