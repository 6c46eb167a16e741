"""Frames in other shapes: python-can messages, and lines of a text log.

Most lines of a SocketCAN text log are plain data frames:

    (1502984866.421964) can0 0A0#8A3F0000 R

Such a line is parsed here, three times as fast as by python-can's reader and exact to the
microsecond or nanosecond, without rounding through a floating point number. Every other line
(remote, error and CAN FD frames, other time stamps, damage) goes to python-can's reader.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator
from typing import Any

import can

from linkloss.bus.frame import FdFrame, Frame
from linkloss.clock.queue import NS_PER_S


def hex_identifier(identifier: int, extended: bool) -> str:
    """``0A0``, or ``18DAF110`` for an extended one."""
    return f"{identifier:08X}" if extended else f"{identifier:03X}"


def frame_of(message: can.Message) -> Frame:
    """The frame that a message stands for. The message is not changed.

    :raises ValueError: if it is an error frame, or its fields do not fit a frame.
    """
    if message.is_error_frame:
        raise ValueError(f"an error frame cannot be sent as a message: {message}")
    if message.is_fd:
        return _fd_frame_of(message)
    return Frame(
        message.arbitration_id,
        bytes(message.data),
        bool(message.is_extended_id),
        bool(message.is_remote_frame),
        message.dlc,
    )


def classical_frame_of(message: can.Message) -> Frame:
    """The same for a bus that knows classical frames only.

    :raises ValueError: for a CAN FD message, too.
    """
    if message.is_fd:
        raise ValueError(f"a CAN FD message cannot be sent on a classical bus: {message}")
    return frame_of(message)


def _fd_frame_of(message: can.Message) -> FdFrame:
    data = bytes(message.data)
    if message.dlc != len(data):
        raise ValueError(
            f"the 'dlc' of a CAN FD message is its number of bytes, {len(data)}, not {message.dlc}"
        )
    return FdFrame(
        message.arbitration_id,
        data,
        bool(message.is_extended_id),
        bool(message.is_remote_frame),
        bit_rate_switch=bool(message.bitrate_switch),
        error_state_indicator=bool(message.error_state_indicator),
    )


def message_of(frame: Frame, instant_ns: int, channel: Any, *, is_rx: bool = True) -> can.Message:
    """The message for a frame received at an instant; its timestamp is that instant in seconds.

    Its ``dlc`` is python-can's: the number of bytes, at most 8 in a classical frame, and in a
    remote frame the number of bytes asked for.
    """
    if isinstance(frame, FdFrame):
        return can.Message(
            timestamp=instant_ns / NS_PER_S,
            arbitration_id=frame.identifier,
            is_extended_id=frame.extended,
            channel=channel,
            dlc=len(frame.data),
            data=frame.data,
            is_rx=is_rx,
            is_fd=True,
            bitrate_switch=frame.bit_rate_switch,
            error_state_indicator=frame.error_state_indicator,
        )
    return can.Message(
        timestamp=instant_ns / NS_PER_S,
        arbitration_id=frame.identifier,
        is_extended_id=frame.extended,
        is_remote_frame=frame.remote,
        channel=channel,
        dlc=min(frame.dlc, 8),
        data=frame.data,
        is_rx=is_rx,
    )


Ready = tuple[int, Frame, str]
"""Instant in ns, frame, channel."""

_DIGITS = {6: 1000, 9: 1}
"""Ns of the last digit of a time stamp, by the number of digits after the point."""


def entries(lines: Iterable[str]) -> Iterator[Ready | can.Message | Exception]:
    """The frames of a text log; a message for a line that python-can's reader parsed; the error for
    one that cannot be read.
    """
    known: dict[str, tuple[int, bool]] = {}
    for line in lines:
        parts = line.split()
        try:
            stamp, channel, body = parts if len(parts) == 3 else parts[:3]
            head, _, content = body.partition("#")
            scale = _DIGITS[len(stamp) - 2 - stamp.index(".")]
            kind = known.get(head)
            if kind is None:
                kind = known[head] = _identifier(head)
            at_ns = int(stamp[1:-1].replace(".", "")) * scale
            if len(parts) > 3 and parts[3] not in ("R", "T"):
                raise ValueError(line)  # noqa: TRY301 - the long way has the better words
            entry: Ready | can.Message | Exception = (
                at_ns,
                Frame(kind[0], bytes.fromhex(content), kind[1]),
                channel,
            )
        except (ValueError, KeyError):
            if not parts:
                continue
            entry = _the_long_way(line)
        yield entry


def _identifier(head: str) -> tuple[int, bool]:
    """Raises ValueError for anything but a plain identifier: flags of error frames, damage."""
    identifier = int(head, 16)
    extended = len(head) > 3
    if not head.isalnum() or not 0 <= identifier <= (0x1FFF_FFFF if extended else 0x7FF):
        raise ValueError(head)
    return identifier, extended


_RAW_LENGTH = re.compile(r"(#(?:[Rr]8?|[0-9A-Fa-f]{16}))_([9A-Fa-f])(?=\s|$)")
"""A data length code above 8 of a classical frame follows its content: ``_9`` to ``_F``."""


def _the_long_way(line: str) -> can.Message | Exception:
    try:
        raw = _RAW_LENGTH.search(line)
        if raw is None:
            return next(iter(can.CanutilsLogReader(io.StringIO(line))))
        plain = line[: raw.end(1)] + line[raw.end() :]
        message: can.Message = next(iter(can.CanutilsLogReader(io.StringIO(plain))))
        message.dlc = int(raw[2], 16)
        return message  # noqa: TRY300 - all of it may raise
    except Exception:  # noqa: BLE001 - the reader raises whatever it stumbles over
        return ValueError(f"got '{line.strip()[:40]}'; expected '(SECONDS) CHANNEL ID#DATA'")
