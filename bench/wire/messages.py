"""Frames and python-can messages: the one into the other."""

from __future__ import annotations

from typing import Any

import can

from bench.clock.queue import NS_PER_S
from bench.wire.frame import Frame


def frame_of(message: can.Message) -> Frame:
    """The frame a message stands for. The message is not changed.

    :raises ValueError: if it is a CAN FD or an error frame, or its fields do not fit a frame.
    """
    if message.is_fd:
        raise ValueError(f"the wire carries classical CAN; this is a CAN FD message: {message}")
    if message.is_error_frame:
        raise ValueError(f"an error frame cannot be sent as a message: {message}")
    return Frame(
        message.arbitration_id,
        bytes(message.data),
        bool(message.is_extended_id),
        bool(message.is_remote_frame),
        message.dlc,
    )


def message_of(frame: Frame, instant_ns: int, channel: Any, *, is_rx: bool = True) -> can.Message:
    """The message for a frame received at an instant; its timestamp is that instant in seconds."""
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
