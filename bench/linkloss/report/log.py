"""A recording as a log of frames, in the formats that python-can writes, and as packets (.pcap).

Timestamps are seconds of virtual time, at the end of each frame. Attempts that failed are error
frames where the format holds those. What the formats lose: ``.log``, ``.asc`` and ``.trc`` round
to a microsecond, ``.blf`` may be a nanosecond early; ``.csv`` and ``.db`` have no channel, no
direction and no CAN FD frames; ``.asc``, ``.blf``, ``.trc`` and ``.mf4`` number the channel;
``.trc`` holds neither error frames nor remote nor CAN FD frames. ``LOSSES`` says it for the user.
Data length codes above 8 of classical frames become 8 in ``.asc``, ``.trc`` and ``.mf4``.
"""

from __future__ import annotations

import gzip
import io
import logging
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Any, BinaryIO, Protocol

import can

from linkloss.bus.messages import message_of
from linkloss.model.problem import BadInput, nearest
from linkloss.recording import Recording
from linkloss.report.files import replacing
from linkloss.report.pcap import PcapWriter


class _Writer(Protocol):
    """What takes the frames of a log."""

    def on_message_received(self, message: can.Message) -> None:
        """One more."""


_NS_PER_S = 1_000_000_000
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
"""Formats that hold a data length code above 8 beside eight bytes."""
_TRIGGER_DATE = "Thu Jan 01 00:00:00.0 1970"


def ensure_format(path: str | Path) -> str:
    """The format of a log by its name: one of FORMATS. Raises BadInput for any other, and for
    ``.mf4`` where its library is missing.
    """
    name = Path(path).name.lower()
    suffix = "".join(Path(name).suffixes[-2:]) if name.endswith(".gz") else Path(name).suffix
    listed = ", ".join(FORMATS)
    if suffix not in FORMATS:
        got = f"unknown format of a log '{suffix}'" if suffix else "the name has no extension"
        raise BadInput.one(path, "", f"{got}; expected one of: {listed}{nearest(suffix, FORMATS)}")
    if suffix == ".mf4" and not _has_asammdf():
        text = "writing '.mf4' needs a library: pip install 'linkloss[mf4]'"
        raise BadInput.one(path, "", text)
    return suffix


def losses(path: str | Path) -> str:
    """What a log in this format does not hold, as a sentence for the user."""
    kind = ensure_format(path).removesuffix(".gz")
    return f"{path}: of the format '{kind}': {LOSSES[kind]}"


def write_log(recording: Recording, channel: str, path: str | Path) -> None:
    """Write every frame of a recording as a log, in the format of the extension, whole or not at
    all. The text formats come out the same every time. Raises BadInput.
    """
    suffix = ensure_format(path)
    with replacing(path) as beside, _writer(beside, suffix, Path(path).name) as writer:
        kind = suffix.removesuffix(".gz")
        messages = log_messages(
            recording,
            channel,
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
    trouble: bool = True,
    fd: bool = True,
    raw_lengths: bool = False,
) -> Iterator[can.Message]:
    """The frames as messages in order of their ends.

    :param trouble: error and remote frames too.
    :param fd: CAN FD frames too.
    :param raw_lengths: data length codes above 8 of classical frames as they stood on the bus,
        where python-can's ``dlc`` is 8.
    """
    for record in sorted(recording.frames, key=lambda record: record.end_ns):
        frame = record.frame
        if record.error is None:
            if (frame.remote and not trouble) or (frame.fd and not fd):
                continue
            message = message_of(frame, record.end_ns, channel)
            if raw_lengths and not frame.fd:
                message.dlc = frame.dlc
            yield message
        elif trouble:
            at_s = record.end_ns / _NS_PER_S
            yield can.Message(timestamp=at_s, channel=channel, is_error_frame=True)


@contextmanager
def _writer(beside: Path, suffix: str, name: str) -> Iterator[_Writer]:
    """A writer that starts at virtual instant zero and knows nothing of today's date."""
    kind = suffix.removesuffix(".gz")
    if kind == ".mf4":
        with beside.open("w+b") as binary, _mf4(binary) as writer:
            yield writer
    elif kind == ".pcap":
        with beside.open("wb") as packets:
            yield PcapWriter(packets)
    elif kind == ".db":
        yield from _database(beside)
    elif kind == ".blf":
        with can.BLFWriter(beside) as writer:
            writer.start_timestamp = 0.0
            yield writer
    else:
        with (
            _text(beside, packed=suffix.endswith(".gz")) as text,
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
    those that this has not written when it is stopped.
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


def _database(beside: Path) -> Iterator[_Database]:
    beside.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(beside)) as connection:
            with connection:
                yield _Database(connection)
            connection.execute("VACUUM")
    except sqlite3.Error as error:
        raise OSError(str(error)) from error


@contextmanager
def _text(beside: Path, *, packed: bool) -> Iterator[io.TextIOWrapper]:
    with beside.open("wb") as binary:
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
    writer.filepath = name  # it would note the temporary place in the file
    writer.first_timestamp = 0.0
    writer.write_header(0.0)
    return writer


class _TextLogWriter(can.CanutilsLogWriter):
    """The library's writer, with the length codes that it leaves out: those of remote frames, and
    those above 8.

    ``123#R4`` asks for four bytes, ``123#R8_C`` is one with the code 12, and
    ``123#0011223344556677_C`` holds eight bytes under it (so candump writes them, from memory).
    """

    def on_message_received(self, msg: can.Message) -> None:
        if msg.is_error_frame or msg.is_fd or not (msg.is_remote_frame or msg.dlc > 8):
            super().on_message_received(msg)
            return
        name = f"{msg.arbitration_id:08X}" if msg.is_extended_id else f"{msg.arbitration_id:03X}"
        content = f"R{min(msg.dlc, 8)}" if msg.is_remote_frame else msg.data.hex().upper()
        raw = f"_{msg.dlc:X}" if msg.dlc > 8 else ""
        way = "R" if msg.is_rx else "T"
        self.file.write(f"({msg.timestamp:f}) {msg.channel} {name}#{content}{raw} {way}\n")


class _AscWriter(can.ASCWriter):
    """The library's writer, from instant zero instead of the first frame, and without today."""

    def __init__(self, text: io.TextIOWrapper) -> None:
        super().__init__(text)
        self.log_event("Start of run", 0.0)

    def _format_header_datetime(self, dt: datetime) -> str:  # noqa: ARG002 - the base asks so
        return _TRIGGER_DATE


@contextmanager
def _mf4(binary: BinaryIO) -> Iterator[can.MF4Writer]:
    """The library's writer, which would stamp the file with the present and count from there."""
    logging.getLogger("asammdf").setLevel(logging.ERROR)
    with can.MF4Writer(binary) as writer:
        writer._start_time = writer.last_timestamp = 0.0
        writer._mdf.header.start_time = datetime.fromtimestamp(0, UTC)
        yield writer


def _has_asammdf() -> bool:
    return find_spec("asammdf") is not None
