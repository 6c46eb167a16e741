"""Frames and python-can messages: the one into the other."""

from __future__ import annotations

from typing import Any

import can

from linkloss.bus.frame import FdFrame, Frame
from linkloss.clock.queue import NS_PER_S


def frame_of(message: can.Message) -> Frame:
    """The frame a message stands for. The message is not changed.

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

    Its ``dlc`` is what python-can takes it to be: the number of bytes, at most 8 in a classical
    frame, and in a remote frame the number of bytes asked for.
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
