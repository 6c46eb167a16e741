"""Messages of a log as frames, at instants counted from the first one.

A log holds times as floating-point seconds, often since 1970. Their precision is kept: whole
nanoseconds for small times, whole microseconds for dates.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import isfinite

import can

from linkloss.bus import Frame
from linkloss.bus.message import frame_of
from linkloss.logs.source import LogFile, many
from linkloss.problem import BadInput
from linkloss.units import show_duration

_DATE_S = 4e6
"""Above this, a float of 53 bits cannot tell one nanosecond from the next."""
LONGEST_GAP_NS = 600_000_000_000
"""A longer silence is not part of a drive, but its end."""
LONGEST_STEP_BACK_NS = 1_000_000_000
"""If the log's clock goes back further, it was set: another drive begins."""

ALL = "(all)"
"""Stands for all channels of a log together."""

Offset = tuple[int, Frame, str]
"""A frame of the log: nanoseconds since the log's first frame, the frame, its channel."""


@dataclass(slots=True)
class Tally:
    """What was in the log besides the frames that were passed on, and how far the log reached.

    ``unsorted`` counts frames with an earlier time than the one before; ``furthest_back_ns`` is the
    largest such step. ``channels`` counts frames by channel.
    """

    frames: int = 0
    error_frames: int = 0
    fd_frames: int = 0
    misfits: int = 0
    first_misfit: str = ""
    unsorted: int = 0
    furthest_back_ns: int = 0
    other_channel: int = 0
    last_ns: int = 0
    ended: str = ""
    channels: dict[str, int] = field(default_factory=dict)

    def notes(self) -> list[str]:
        """What was left out or changed, in sentences; empty if nothing was."""
        notes = []
        if self.error_frames:
            notes.append(f"{many(self.error_frames, 'error frame')} left out")
        if self.fd_frames:
            number = many(self.fd_frames, "CAN FD frame")
            notes.append(f"{number} left out: no controller here supports CAN FD")
        if self.misfits:
            number = many(self.misfits, "message")
            notes.append(f"{number} left out, not valid frames; the first: {self.first_misfit}")
        if self.unsorted:
            number = many(self.unsorted, "frame")
            furthest = show_duration(self.furthest_back_ns)
            notes.append(f"{number} with an earlier time than the one before, by up to {furthest}")
        if self.other_channel:
            number, names = many(self.other_channel, "frame"), ", ".join(self.channels)
            notes.append(f"{number} of other channels left out; the log has: {names}")
        if self.ended:
            notes.append(self.ended)
        return notes


def instant_ns(seconds: float) -> int:
    """Seconds of a log as nanoseconds, as exact as a float of this size can be."""
    if -_DATE_S < seconds < _DATE_S:
        return round(seconds * 1e9)
    return round(seconds * 1e6) * 1000


def frames(
    log: LogFile,
    tally: Tally,
    channel: str | None = None,
    *,
    fd: bool = False,
    timeless: bool = False,
) -> Iterator[Offset]:
    """The frames of one channel of a log, or of all, at instants that never go back.

    A frame with an earlier time than the one before counts as simultaneous with it. A silence
    longer than ``LONGEST_GAP_NS``, or a clock that is set back, ends the drive; ``tally.ended``
    then says so.

    :param channel: its name as in the log, or ``ALL``; None takes that of the first frame.
    :param fd: CAN FD frames too; otherwise they are left out.
    :param timeless: a log without times too; all its frames are at instant 0.
    :raises BadInput: if there is no frame, or none of the channel, or the frames have no times.
    """
    first_ns: int | None = None
    now_ns = 0
    counts = tally.channels
    last_channel: str | None = None
    name = ""
    for entry in log.entries():
        at_ns, frame, its_channel = entry if isinstance(entry, tuple) else _taken(entry, tally, fd)
        if its_channel != last_channel:
            last_channel = name = its_channel
        if frame is None:
            continue
        if frame.fd and not fd:
            tally.fd_frames += 1
            continue
        counts[name] = counts.get(name, 0) + 1
        if first_ns is None:
            first_ns = at_ns
            channel = name if channel is None else channel
            if log.timeless and not timeless:
                text = "its frames have no times; expected a log with a time for each frame"
                raise BadInput.one(log.path, "", text)
        offset_ns = at_ns - first_ns
        if offset_ns < now_ns or offset_ns - now_ns > LONGEST_GAP_NS:
            if _ends(log, tally, now_ns, offset_ns):
                return
            tally.unsorted += 1
            tally.furthest_back_ns = max(tally.furthest_back_ns, now_ns - offset_ns)
            offset_ns = now_ns
        now_ns = tally.last_ns = offset_ns
        if name != channel and channel is not ALL:
            tally.other_channel += 1
            continue
        tally.frames += 1
        yield offset_ns, frame, name
    if not tally.frames:
        raise BadInput.one(log.path, "", _none_there(log, tally, channel))


def _taken(message: can.Message, tally: Tally, fd: bool) -> tuple[int, Frame | None, str]:
    """Instant, frame and channel of a message; no frame if our bus cannot carry it."""
    channel = "" if message.channel is None else str(message.channel)
    frame = _frame(message, tally, fd)
    return (0 if frame is None else instant_ns(message.timestamp)), frame, channel


def _frame(message: can.Message, tally: Tally, fd: bool) -> Frame | None:
    """The frame of a message; None, and counted, if there is none."""
    if message.is_error_frame:
        tally.error_frames += 1
        return None
    if message.is_fd and not fd:
        tally.fd_frames += 1
        return None
    try:
        if isfinite(message.timestamp):
            return frame_of(message)
        why = f"its time is '{message.timestamp}'"
    except ValueError as error:
        why = str(error)
    tally.misfits += 1
    tally.first_misfit = tally.first_misfit or why
    return None


def _ends(log: LogFile, tally: Tally, now_ns: int, offset_ns: int) -> bool:
    """Whether a step in the log's times ends the drive."""
    step_ns = offset_ns - now_ns
    if -LONGEST_STEP_BACK_NS <= step_ns <= LONGEST_GAP_NS:
        return False
    what = "is silent for" if step_ns > 0 else "sets its clock back by"
    tally.ended = (
        f"the log {what} {_long(abs(step_ns))} before frame {log.frames:,}, at"
        f" {show_duration(now_ns)}: the drive ends there"
    )
    return True


def _long(span_ns: int) -> str:
    days = span_ns / 86_400e9
    return f"{days:.4g} days" if days >= 1 else show_duration(span_ns)


def _none_there(log: LogFile, tally: Tally, channel: str | None) -> str:
    if channel not in (None, ALL) and channel not in tally.channels:
        listed = ", ".join(f"'{name}'" for name in tally.channels)
        return f"there is no channel '{channel}'; expected one of: {listed}"
    notes = "; ".join([*log.notes(), *tally.notes()])
    return f"not one frame could be read{': ' + notes if notes else ''}"
