"""What the driver has to be told: nodes that are not heard any more, buttons that stay down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from linkloss_nodes.api import MS, Board, Timer, read_settings
from linkloss_nodes.condition import Value
from linkloss_nodes.fields import Field, split_signal
from linkloss_nodes.receive import Link, Receiver
from linkloss_nodes.transmit import Outgoing

ANY_STEP = 1 << 30
"""A counter may move by any step but zero."""


class LostNodes:
    """Watches the heartbeats of other nodes. ``lost`` maps each status message to the signal that
    tells of its loss, ``any_lost`` tells of any.
    """

    def __init__(
        self,
        receiver: Receiver,
        outgoing: Outgoing,
        lost: Mapping[str, str],
        any_lost: str | None,
        lost_after_ms: int,
    ) -> None:
        self._outgoing = outgoing
        self._any = any_lost
        self._missing: set[str] = set()
        if any_lost is not None:
            outgoing.field(any_lost)
        for message, signal in lost.items():
            outgoing.field(signal)
            # A node that was reset counts from the start again: alive is who counts at all.
            link = receiver.listen(message, lost_after_ms * MS, max_step=ANY_STEP)
            link.on_news.append(partial(self._tell, signal, lost=False))
            link.on_stale.append(partial(self._tell, signal, lost=True))

    def _tell(self, signal: str, *, lost: bool) -> None:
        if lost == (signal in self._missing):
            return
        if lost:
            self._missing.add(signal)
        else:
            self._missing.discard(signal)
        self._outgoing.set(signal, float(lost))
        if self._any is not None:
            self._outgoing.set(self._any, float(bool(self._missing)))


class PassedOn:
    """Passes on what other nodes tell of themselves: a signal of ours is on while any of those
    that map to it is. What a node told that is lost no longer counts.
    """

    def __init__(
        self,
        receiver: Receiver,
        outgoing: Outgoing,
        passed_on: Mapping[str, str],
        lost_after_ms: int,
    ) -> None:
        self._outgoing = outgoing
        self._told: dict[str, set[str]] = {signal: set() for signal in passed_on.values()}
        for reference, signal in passed_on.items():
            outgoing.field(signal)
            message, source = split_signal(reference)
            field = receiver.field(message, source)
            link = receiver.listen(message, lost_after_ms * MS, ANY_STEP, field)
            link.on_news.append(partial(self._heard, reference, signal, link, field))
            link.on_stale.append(partial(self._tell, reference, signal, on=False))

    def _heard(self, reference: str, signal: str, link: Link, field: Field) -> None:
        self._tell(reference, signal, on=field.get(link.data) != 0)

    def _tell(self, reference: str, signal: str, *, on: bool) -> None:
        told = self._told[signal]
        if on == (reference in told):
            return
        if on:
            told.add(reference)
        else:
            told.discard(reference)
        self._outgoing.set(signal, float(bool(told)))


@dataclass(frozen=True)
class StuckSettings:
    """A switch that stays in ``position`` for longer than ``longest_ms`` is stuck; ``notice`` is
    the signal that tells so.
    """

    position: str
    longest_ms: int
    notice: str


def read_stuck(given: Mapping[str, Any]) -> dict[str, StuckSettings]:
    """The setting ``stuck``: a table for each input. Raises SettingsError."""
    return {
        name: read_settings(StuckSettings, table, f"stuck.{name}.") for name, table in given.items()
    }


class StuckInputs:
    """Watches switches that nobody holds for long."""

    def __init__(
        self, board: Board, outgoing: Outgoing, settings: Mapping[str, StuckSettings]
    ) -> None:
        self._board = board
        self._outgoing = outgoing
        self._settings = settings
        self._running: dict[str, Timer] = {}
        for entry in settings.values():
            outgoing.field(entry.notice)

    def changed(self, name: str, value: Value) -> None:
        """A settled input has a new value."""
        entry = self._settings.get(name)
        if entry is None:
            return
        timer = self._running.pop(name, None)
        if timer is not None:
            timer.cancel()
        if value == entry.position:
            self._running[name] = self._board.after(entry.longest_ms * MS, self._stuck, entry)
        else:
            self._outgoing.set(entry.notice, 0.0)

    def _stuck(self, entry: StuckSettings) -> None:
        self._outgoing.set(entry.notice, 1.0)
