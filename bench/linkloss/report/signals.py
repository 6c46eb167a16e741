"""The decoded signals of a run as a table, for a notebook: a row for each frame, a column for each
signal, filled in where the frame carries it.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from importlib.util import find_spec
from itertools import islice
from pathlib import Path
from typing import Any

from linkloss.model.messages import MessageInfo
from linkloss.model.problem import BadInput, nearest
from linkloss.recording import Recording
from linkloss.report.files import replacing

TABLES = (".csv", ".parquet")
FIRST_COLUMNS = ("t_ns", "sender", "message")
ROWS_AT_ONCE = 10_000

Row = tuple[int, str, str, dict[str, float]]


def ensure_table(path: str | Path) -> str:
    """The format of a table by its name. Raises BadInput for any other, and for ``.parquet``
    where its library is missing.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in TABLES:
        got = f"unknown format of a table '{suffix}'" if suffix else "the name has no extension"
        listed = ", ".join(TABLES)
        raise BadInput.one(path, "", f"{got}; expected one of: {listed}{nearest(suffix, TABLES)}")
    if suffix == ".parquet" and find_spec("pyarrow") is None:
        text = "writing '.parquet' needs a library: pip install 'linkloss[parquet]'"
        raise BadInput.one(path, "", text)
    return suffix


def write_columns(
    recording: Recording, messages: Mapping[str, MessageInfo], path: str | Path
) -> None:
    """Write the signals of every good frame that the DBC knows, whole or not at all.

    Columns: ``t_ns`` (end of the frame, ns since power-up), ``sender``, ``message``, then
    ``Message.Signal`` in its unit for each message that was seen. Raises BadInput.
    """
    suffix = ensure_table(path)
    seen = {message for _, _, message, _ in _rows(recording, messages)}
    columns = [
        f"{info.name}.{signal}"
        for info in messages.values()
        if info.name in seen
        for signal in info.signals
    ]
    with replacing(path) as beside:
        write = _write_csv if suffix == ".csv" else _write_parquet
        write(beside, columns, _rows(recording, messages))


def _rows(recording: Recording, messages: Mapping[str, MessageInfo]) -> Iterator[Row]:
    known = {(info.identifier, info.extended): info for info in messages.values()}
    for record in sorted(recording.frames, key=lambda record: record.end_ns):
        frame = record.frame
        info = known.get((frame.identifier, frame.extended))
        if record.error is not None or frame.remote or info is None:
            continue
        if len(frame.data) == info.length:
            values = {
                f"{info.name}.{name}": signal.physical(frame.data)
                for name, signal in info.signals.items()
            }
            yield record.end_ns, record.sender, info.name, values


def _write_csv(path: Path, columns: list[str], rows: Iterator[Row]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([*FIRST_COLUMNS, *columns])
        for at_ns, sender, message, values in rows:
            writer.writerow([at_ns, sender, message, *(values.get(name, "") for name in columns)])


def _write_parquet(path: Path, columns: list[str], rows: Iterator[Row]) -> None:
    import pyarrow as pa  # noqa: PLC0415 - an extra, and slow to import
    from pyarrow import parquet  # noqa: PLC0415

    types: list[Any] = [pa.int64(), pa.string(), pa.string()]
    types += [pa.float64()] * len(columns)
    schema = pa.schema(list(zip([*FIRST_COLUMNS, *columns], types, strict=True)))
    with parquet.ParquetWriter(path, schema) as writer:
        while piece := list(islice(rows, ROWS_AT_ONCE)):
            laid: list[list[Any]] = [[row[place] for row in piece] for place in range(3)]
            laid += [[row[3].get(name) for row in piece] for name in columns]
            arrays = [pa.array(v, t) for v, t in zip(laid, types, strict=True)]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
