"""A recording for other programs: as a log of frames, as packets, as a table of signals.

A table for a notebook holds the decoded signals of a run: a row for each frame, and a column for
each signal, filled in if the frame carries it.

A ``.pcap`` file holds frames as packets of link type 227 (SocketCAN), for programs that analyse
network traffic; logs/packets.py has the layout. Its timestamps are exact to a nanosecond.

Other logs of frames are in the formats that python-can writes.

Timestamps are seconds of virtual time, at the end of each frame. Failed attempts are error frames
if the format has those. What the formats lose: ``.log``, ``.asc`` and ``.trc`` round to a
microsecond, ``.blf`` may be a nanosecond early; ``.csv`` and ``.db`` have no channel, no direction
and no CAN FD frames; ``.asc``, ``.blf``, ``.trc`` and ``.mf4`` number the channel; ``.trc`` holds
neither error frames nor remote nor CAN FD frames. ``LOSSES`` says so to the user. Data length codes
above 8 of classical frames become 8 in ``.asc``, ``.trc`` and ``.mf4``.
"""

from __future__ import annotations

import csv
import gzip
import io
import logging
import sqlite3
import struct
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from importlib.util import find_spec
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO, Protocol

import can

from linkloss.bus.message import hex_identifier, message_of
from linkloss.logs.packets import (
    BIT_RATE_SWITCH,
    ERROR,
    ERROR_STATE,
    EXTENDED,
    FD,
    LINK_SOCKETCAN,
    NANOSECOND_MAGIC,
    REMOTE,
)
from linkloss.logs.source import format_of
from linkloss.problem import BadInput
from linkloss.recording import Recording
from linkloss.report.files import replacing
from linkloss.vehicle.messages import MessageInfo

_SNAP_BYTES = 65_535
_NS_PER_S = 1_000_000_000


class PcapWriter:
    """Writes messages to a binary file: a packet header of 16 bytes, then the frame (16 bytes if it
    is classical).
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        file.write(
            struct.pack("<IHHiIII", NANOSECOND_MAGIC, 2, 4, 0, 0, _SNAP_BYTES, LINK_SOCKETCAN)
        )

    def on_message_received(self, msg: can.Message) -> None:
        """Write one message. The last byte of a classical frame's header is its data length code if
        that is above 8; the byte after the length of a CAN FD frame holds its flags.
        """
        word = msg.arbitration_id
        word |= EXTENDED if msg.is_extended_id and not msg.is_error_frame else 0
        word |= REMOTE if msg.is_remote_frame else 0
        word |= ERROR if msg.is_error_frame else 0
        data = bytes(8) if msg.is_error_frame else bytes(msg.data).ljust(8, b"\0")
        flags = raw_length = 0
        if msg.is_fd:
            flags = (
                FD | msg.bitrate_switch * BIT_RATE_SWITCH | msg.error_state_indicator * ERROR_STATE
            )
            length = msg.dlc
        else:
            length = 8 if msg.is_error_frame else min(msg.dlc, 8)
            raw_length = msg.dlc if msg.dlc > 8 else 0
        packet = struct.pack(">IBBBB", word, length, flags, 0, raw_length) + data
        seconds, ns = divmod(round(msg.timestamp * _NS_PER_S), _NS_PER_S)
        self._file.write(struct.pack("<IIII", seconds, ns, len(packet), len(packet)) + packet)


class _Writer(Protocol):
    """A writer of a log."""

    def on_message_received(self, message: can.Message) -> None:
        """Write one message."""


FORMATS = (
    ".log", ".asc", ".blf", ".csv", ".trc", ".mf4", ".db", ".pcap", ".log.gz", ".asc.gz", ".csv.gz",
)  # fmt: skip
LOSSES = {
    ".log": "its times are rounded to a microsecond",
    ".asc": "its times are rounded to a microsecond, channels are numbers",
    ".blf": "channels are numbers",
    ".csv": "it has no channel, no direction and no CAN FD frames",
    ".trc": "it has neither error frames nor remote or CAN FD frames, channels are numbers",
    ".mf4": "channels are numbers",
    ".db": "it has no channel, no direction and no CAN FD frames",
    ".pcap": "it has no channel and no direction",
}
"""What a format cannot hold, by its extension."""
_WITHOUT_FD = {".csv", ".trc", ".db"}
_RAW_LENGTHS = {".log", ".blf", ".csv", ".db", ".pcap"}
"""Formats that can hold a data length code above 8 with eight bytes."""
_TRIGGER_DATE = "Thu Jan 01 00:00:00.0 1970"


def ensure_format(path: str | Path) -> str:
    """The format of a log by its name: one of FORMATS.

    :raises BadInput: for any other name, and for ``.mf4`` if its library is missing.
    """
    suffix = format_of(path, FORMATS)
    if suffix == ".mf4" and find_spec("asammdf") is None:
        text = "writing '.mf4' needs a library: pip install 'linkloss[mf4]'"
        raise BadInput.one(path, "", text)
    return suffix


def losses(path: str | Path) -> str:
    """What a log in this format does not hold, as a sentence for the user."""
    kind = ensure_format(path).removesuffix(".gz")
    return f"{path}: of the format '{kind}': {LOSSES[kind]}"


def names_channels(path: str | Path) -> bool:
    """Whether a log in the format of a name holds each frame's channel by name."""
    return ensure_format(path).removesuffix(".gz") == ".log"


def write_log(
    recording: Recording, channel: str, path: str | Path, channels: Mapping[str, str] = {}
) -> None:
    """Write every frame of a recording as a log, in the format of the extension, whole or not at
    all. Text formats are the same every time.

    :param channels: the channel of each bus of a car with several, by name.
    :raises BadInput: if the format is unknown or the file cannot be written.
    """
    suffix = ensure_format(path)
    with replacing(path) as temporary, _writer(temporary, suffix, Path(path).name) as writer:
        kind = suffix.removesuffix(".gz")
        messages = log_messages(
            recording,
            channel,
            channels=channels,
            trouble=kind != ".trc",
            fd=kind not in _WITHOUT_FD,
            raw_lengths=kind in _RAW_LENGTHS,
        )
        for message in messages:
            writer.on_message_received(message)


def log_messages(
    recording: Recording,
    channel: str,
    *,
    channels: Mapping[str, str] = {},
    trouble: bool = True,
    fd: bool = True,
    raw_lengths: bool = False,
) -> Iterator[can.Message]:
    """The frames as messages, in the order in which they end.

    :param trouble: whether to include error and remote frames.
    :param fd: whether to include CAN FD frames.
    :param raw_lengths: whether to keep data length codes above 8 of classical frames, for which
        python-can's ``dlc`` is 8.
    """
    for record in sorted(recording.frames, key=lambda record: record.end_ns):
        frame = record.frame
        own = channels.get(record.bus, channel)
        if record.error is None:
            if (frame.remote and not trouble) or (frame.fd and not fd):
                continue
            message = message_of(frame, record.end_ns, own)
            if raw_lengths and not frame.fd:
                message.dlc = frame.dlc
            yield message
        elif trouble:
            at_s = record.end_ns / _NS_PER_S
            yield can.Message(timestamp=at_s, channel=own, is_error_frame=True)


@contextmanager
def _writer(temporary: Path, suffix: str, name: str) -> Iterator[_Writer]:
    """A writer that starts at virtual instant zero and writes no date of today."""
    kind = suffix.removesuffix(".gz")
    if kind == ".mf4":
        with temporary.open("w+b") as binary, _mf4(binary) as writer:
            yield writer
    elif kind == ".pcap":
        with temporary.open("wb") as packets:
            yield PcapWriter(packets)
    elif kind == ".db":
        yield from _database(temporary)
    elif kind == ".blf":
        with can.BLFWriter(temporary) as writer:
            writer.start_timestamp = 0.0
            yield writer
    else:
        with (
            _text(temporary, packed=suffix.endswith(".gz")) as text,
            _text_writer(kind, text, name) as writer,
        ):
            yield writer


_TABLE = (
    "CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER,"
    " error INTEGER, dlc INTEGER, data BLOB)"
)
"""The table that python-can's reader expects."""


class _Database:
    """Writes into a table at once. The library's writer hands its frames to a thread, and loses
    those not yet written when it is stopped.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        connection.execute(_TABLE)

    def on_message_received(self, message: can.Message) -> None:
        row = (
            message.timestamp,
            message.arbitration_id,
            message.is_extended_id,
            message.is_remote_frame,
            message.is_error_frame,
            message.dlc,
            bytes(message.data),
        )
        self._connection.execute("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", row)


def _database(temporary: Path) -> Iterator[_Database]:
    temporary.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(temporary)) as connection:
            with connection:
                yield _Database(connection)
            connection.execute("VACUUM")
    except sqlite3.Error as error:
        raise OSError(str(error)) from error


@contextmanager
def _text(temporary: Path, *, packed: bool) -> Iterator[io.TextIOWrapper]:
    with temporary.open("wb") as binary:
        stream: Any = binary
        if packed:
            stream = gzip.GzipFile(filename="", mode="wb", fileobj=binary, mtime=0)
        with stream, io.TextIOWrapper(stream, encoding="utf-8", newline="\n") as text:
            yield text


def _text_writer(kind: str, text: io.TextIOWrapper, name: str) -> can.io.generic.MessageWriter:
    if kind == ".asc":
        return _AscWriter(text)
    if kind == ".csv":
        return can.CSVWriter(text)
    if kind == ".log":
        return _TextLogWriter(text)
    writer = can.TRCWriter(text)
    writer.filepath = name  # otherwise it would write the temporary name into the file
    writer.first_timestamp = 0.0
    writer.write_header(0.0)
    return writer


class _TextLogWriter(can.CanutilsLogWriter):
    """The library's writer, which also writes the length codes that it leaves out: those of remote
    frames, and those above 8.

    ``123#R4`` is a remote frame for four bytes, ``123#R8_C`` one with the code 12, and
    ``123#0011223344556677_C`` a data frame of eight bytes with that code (candump's form, from
    memory).
    """

    def on_message_received(self, msg: can.Message) -> None:
        if msg.is_error_frame or msg.is_fd or not (msg.is_remote_frame or msg.dlc > 8):
            super().on_message_received(msg)
            return
        name = hex_identifier(msg.arbitration_id, msg.is_extended_id)
        content = f"R{min(msg.dlc, 8)}" if msg.is_remote_frame else msg.data.hex().upper()
        raw = f"_{msg.dlc:X}" if msg.dlc > 8 else ""
        way = "R" if msg.is_rx else "T"
        self.file.write(f"({msg.timestamp:f}) {msg.channel} {name}#{content}{raw} {way}\n")


class _AscWriter(can.ASCWriter):
    """The library's writer, starting at instant zero instead of the first frame, without today's
    date.
    """

    def __init__(self, text: io.TextIOWrapper) -> None:
        super().__init__(text)
        self.log_event("Start of run", 0.0)

    def _format_header_datetime(self, dt: datetime) -> str:  # the base class calls it so
        return _TRIGGER_DATE


@contextmanager
def _mf4(binary: BinaryIO) -> Iterator[can.MF4Writer]:
    """The library's writer, without its stamp of the present time, from which it would count."""
    logging.getLogger("asammdf").setLevel(logging.ERROR)
    with can.MF4Writer(binary) as writer:
        writer._start_time = writer.last_timestamp = 0.0
        writer._mdf.header.start_time = datetime.fromtimestamp(0, UTC)
        yield writer


TABLES = (".csv", ".parquet")
FIRST_COLUMNS = ("t_ns", "sender", "message")
ROWS_AT_ONCE = 10_000

Row = tuple[int, str, str, dict[str, float]]


def ensure_table(path: str | Path) -> str:
    """The format of a table by its name.

    :raises BadInput: for any other name, and for ``.parquet`` if its library is missing.
    """
    suffix = format_of(path, TABLES, "a table")
    if suffix == ".parquet" and find_spec("pyarrow") is None:
        text = "writing '.parquet' needs a library: pip install 'linkloss[parquet]'"
        raise BadInput.one(path, "", text)
    return suffix


def write_columns(
    recording: Recording, messages: Mapping[str, MessageInfo], path: str | Path
) -> None:
    """Write a table of the signals of every good frame that the DBC knows, whole or not at all.

    Columns: ``t_ns`` (end of the frame, ns since power-up), ``sender``, ``message``, then
    ``Message.Signal`` in its unit for each message that was seen; a multiplexed signal has a value
    where its page was sent.

    :raises BadInput: if the format is unknown or the file cannot be written.
    """
    suffix = ensure_table(path)
    seen = {message for _, _, message, _ in _rows(recording, messages)}
    columns = [
        f"{info.name}.{signal}"
        for info in messages.values()
        if info.name in seen
        for signal in info.signals
    ]
    with replacing(path) as temporary:
        write = _write_csv if suffix == ".csv" else _write_parquet
        write(temporary, columns, _rows(recording, messages))


def _rows(recording: Recording, messages: Mapping[str, MessageInfo]) -> Iterator[Row]:
    message_of = recording.finder(messages.values())
    for record in sorted(recording.frames, key=lambda record: record.end_ns):
        frame = record.frame
        info = message_of(record)
        if record.error is not None or frame.remote or info is None:
            continue
        if len(frame.data) == info.length:
            values = {
                f"{info.name}.{name}": signal.physical(frame.data)
                for name, signal in info.signals.items()
                if signal.present(frame.data)
            }
            yield record.end_ns, record.sender, info.name, values


def _write_csv(path: Path, columns: list[str], rows: Iterator[Row]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([*FIRST_COLUMNS, *columns])
        for at_ns, sender, message, values in rows:
            writer.writerow([at_ns, sender, message, *(values.get(name, "") for name in columns)])


def _write_parquet(path: Path, columns: list[str], rows: Iterator[Row]) -> None:
    import pyarrow as pa  # an extra, and slow to import
    from pyarrow import parquet

    types: list[Any] = [pa.int64(), pa.string(), pa.string()]
    types += [pa.float64()] * len(columns)
    schema = pa.schema(list(zip([*FIRST_COLUMNS, *columns], types, strict=True)))
    with parquet.ParquetWriter(path, schema) as writer:
        while piece := list(islice(rows, ROWS_AT_ONCE)):
            laid: list[list[Any]] = [[row[place] for row in piece] for place in range(3)]
            laid += [[row[3].get(name) for row in piece] for name in columns]
            arrays = [pa.array(v, t) for v, t in zip(laid, types, strict=True)]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
