"""Frames as packets of link type 227 (SocketCAN), for programs that look into network traffic.

Sources: the format of capture files and the registry of link types (tcpdump.org, from memory), held
against an independent reader in tests/against/test_packets.py. Instants are exact to a nanosecond.
"""

from __future__ import annotations

import struct
from typing import BinaryIO

import can

NANOSECOND_MAGIC = 0xA1B23C4D
LINK_SOCKETCAN = 227
_EXTENDED, _REMOTE, _ERROR = 0x8000_0000, 0x4000_0000, 0x2000_0000
_BRS, _ESI, _FD = 0x01, 0x02, 0x04
_SNAP_BYTES = 65_535
_NS_PER_S = 1_000_000_000


class PcapWriter:
    """Writes messages to a binary file: 16 bytes each, beside a packet header of 16."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        file.write(
            struct.pack("<IHHiIII", NANOSECOND_MAGIC, 2, 4, 0, 0, _SNAP_BYTES, LINK_SOCKETCAN)
        )

    def on_message_received(self, msg: can.Message) -> None:
        """Write one message. The last byte of a classical frame's header is its data length code
        where that is above 8; the second one of a CAN FD frame's tells its flags.
        """
        word = msg.arbitration_id
        word |= _EXTENDED if msg.is_extended_id and not msg.is_error_frame else 0
        word |= _REMOTE if msg.is_remote_frame else 0
        word |= _ERROR if msg.is_error_frame else 0
        data = bytes(8) if msg.is_error_frame else bytes(msg.data).ljust(8, b"\0")
        flags = raw_length = 0
        if msg.is_fd:
            flags = _FD | msg.bitrate_switch * _BRS | msg.error_state_indicator * _ESI
            length = msg.dlc
        else:
            length = 8 if msg.is_error_frame else min(msg.dlc, 8)
            raw_length = msg.dlc if msg.dlc > 8 else 0
        packet = struct.pack(">IBBBB", word, length, flags, 0, raw_length) + data
        seconds, ns = divmod(round(msg.timestamp * _NS_PER_S), _NS_PER_S)
        self._file.write(struct.pack("<IIII", seconds, ns, len(packet), len(packet)) + packet)
