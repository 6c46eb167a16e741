"""What a recording has gained since it was last looked at, and how a copy of it keeps up.

Most of a recording is only appended to, so what is new costs little more than itself. It can be
sent to another process. Only the thread that runs the session may look, between two events.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any, NamedTuple

from linkloss.bus import RecordList
from linkloss.recording import Recording, Series

Place = tuple[Any, ...]
"""A field of a recording, and the keys below it."""


class Tail(NamedTuple):
    """The end of a list, or of the columns of a series: what follows the first ``kept`` entries."""

    kept: int
    columns: tuple[list[Any] | RecordList, ...]


class Gained(NamedTuple):
    """What is new in a recording up to and including ``end_ns``: the tails by place, and the values
    of all other fields.
    """

    end_ns: int
    tails: dict[Place, Tail]
    values: dict[str, Any]


_SERIES_LOOSE = 2
"""A series may take back its last entry, and replace the one before it."""


class Growth:
    """Follows a recording. Each :meth:`gained` goes on where the last one ended."""

    def __init__(self, recording: Recording) -> None:
        self._recording = recording
        self._known: dict[Place, int] = {}

    def gained(self, end_ns: int) -> Gained:
        """What is new. Everything up to and including ``end_ns`` must have been recorded."""
        found = Gained(end_ns, {}, {})
        for each in fields(Recording):
            value = getattr(self._recording, each.name)
            if isinstance(value, dict | list | RecordList):
                self._look((each.name,), value, each.metadata.get("loose", 0), found.tails)
            else:
                found.values[each.name] = value
        return found

    def _look(self, place: Place, value: Any, loose: int, tails: dict[Place, Tail]) -> None:
        if isinstance(value, dict):
            for key, grown in value.items():
                self._look((*place, key), grown, loose, tails)
            return
        columns = (value.times, value.values) if isinstance(value, Series) else (value,)
        loose = _SERIES_LOOSE if isinstance(value, Series) else loose
        known = self._known.get(place, -1)
        kept = max(0, known - loose)
        if known < 0 or len(columns[0]) != known or kept < known:
            self._known[place] = len(columns[0])
            tails[place] = Tail(kept, tuple(_from(kept, column) for column in columns))


def _from(place: int, column: list[Any] | RecordList) -> list[Any] | RecordList:
    return column.since(place) if isinstance(column, RecordList) else column[place:]


def empty_copy(recording: Recording) -> Recording:
    """An empty recording of the same run."""
    return Recording(vehicle=recording.vehicle, seed=recording.seed, logged=recording.logged)


def add(copy: Recording, gained: Gained, lacks: Mapping[Place, int] = {}) -> None:
    """Bring a copy up to date. ``lacks``: how many of its first entries it does not have, if so."""
    for name, value in gained.values.items():
        setattr(copy, name, value)
    for (name, *keys), tail in gained.tails.items():
        own: Any = getattr(copy, name)
        make: Callable[[], Any] = Series if len(tail.columns) == 2 else list
        for key in keys:
            own = own.setdefault(key, make())
        columns = (own.times, own.values) if isinstance(own, Series) else (own,)
        for column, new in zip(columns, tail.columns, strict=True):
            if isinstance(new, RecordList):
                column.join(new)
            else:
                kept = tail.kept - lacks.get((name, *keys), 0)
                column[max(0, kept) :] = new[max(0, -kept) :]
    copy.end_ns = gained.end_ns
