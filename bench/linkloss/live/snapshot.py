"""A copy of a recording that still grows, for whoever reads it in another thread.

Most of a recording is only ever added to, so bringing a copy up to date takes little more than
what has come since. Only the thread that runs the session may do it, between two events.
"""

from __future__ import annotations

from collections.abc import MutableMapping
from typing import Any, TypeVar

from linkloss.recording import Recording, Series

T = TypeVar("T")


def empty_copy(recording: Recording) -> Recording:
    """A recording of the same run with nothing in it yet."""
    return Recording(vehicle=recording.vehicle, seed=recording.seed, logged=recording.logged)


def bring_up_to_date(copy: Recording, source: Recording, end_ns: int) -> None:
    """Take over what has come since. All that happened up to and including ``end_ns`` must have
    been recorded.
    """
    for name in ("inputs", "seen", "outputs", "commands", "volts", "amps", "driven", "trips"):
        _series(getattr(copy, name), getattr(source, name))
    for name in ("nodes", "controllers"):
        for key, changes in getattr(source, name).items():
            _extend(getattr(copy, name).setdefault(key, []), changes)
    for message, handed in source.handed.items():
        own = copy.handed.setdefault(message, [])
        del own[-1:]  # whether the last one was taken may have been told later
        _extend(own, handed)
    del copy.foreign[-1:]
    for name in ("foreign", "frames", "fuses", "actions", "crashes", "prints", "outside"):
        _extend(getattr(copy, name), getattr(source, name))
    copy.faults[:] = source.faults
    copy.shift = source.shift
    copy.end_ns = end_ns


def _extend(own: list[T], source: list[T]) -> None:
    own.extend(source[len(own) :])


def _series(own: MutableMapping[Any, Series[T]], source: MutableMapping[Any, Series[T]]) -> None:
    """The last change of a series may have been taken back; those before it stay as they are."""
    for key, grown in source.items():
        copy = own.setdefault(key, Series())
        kept = max(0, len(copy.times) - 2)
        copy.times[kept:] = grown.times[kept:]
        copy.values[kept:] = grown.values[kept:]
