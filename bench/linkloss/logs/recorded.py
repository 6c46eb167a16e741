"""A recording read back from the JSON that a run wrote: the same in every field, so that it can be
judged again, by the same rules or by new ones.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from linkloss.bus import BusRecord, FdFrame, Frame
from linkloss.problem import BadInput
from linkloss.recording import (
    ActionRecord,
    ControllerChange,
    Crash,
    FaultRecord,
    Foreign,
    FuseOpened,
    Handed,
    NodeChange,
    OutsideEvent,
    Presence,
    Recording,
    Series,
    Shift,
)

Document = Mapping[str, Any]


def read_document(path: str | Path) -> Document:
    """The JSON of a run. Raises BadInput for anything else."""
    path = Path(path)
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise BadInput.one(path, "", "there is no such file; expected the JSON of a run") from None
    except OSError as error:
        raise BadInput.one(path, "", f"cannot be read: {error.strerror}") from None
    except (ValueError, RecursionError) as error:
        raise BadInput.one(path, "", f"this is no JSON: {' '.join(str(error).split())}") from None
    if not isinstance(document, dict) or document.get("format") != "linkloss run":
        text = "this is no recording; expected a file that 'linkloss run --json' wrote"
        raise BadInput.one(path, "", text)
    return document


def recording_of(document: Document, path: str | Path) -> Recording:
    """The recording that a document holds. Raises BadInput for one that is damaged."""
    try:
        return _recording(document)
    except KeyError as error:
        raise BadInput.one(path, "", f"the recording has no {error}") from None
    except (TypeError, ValueError, AttributeError, IndexError) as error:
        text = f"the recording is damaged: {' '.join(str(error).split())}"
        raise BadInput.one(path, "", text) from None


def _recording(document: Document) -> Recording:
    return Recording(
        vehicle=document["vehicle"],
        seed=document["seed"],
        end_ns=document["end_ns"],
        inputs=_series(document["inputs"]),
        seen={
            (name, node): _changes(changes)
            for name, lines in document["seen"].items()
            for node, changes in lines.items()
        },
        outputs=_series(document["outputs"]),
        commands=_series(document["commands"]),
        volts=_series(document.get("volts", {})),  # no older recording has them
        amps=_series(document.get("amps", {})),
        driven=_series(document.get("driven", {})),
        trips=_series(document.get("trips", {})),
        fuses=[_fuse(fuse) for fuse in document.get("fuses", ())],
        nodes={name: [NodeChange(*row) for row in rows] for name, rows in _rows(document, "nodes")},
        controllers={
            name: [ControllerChange(*row) for row in rows]
            for name, rows in _rows(document, "controllers")
        },
        handed={
            name: [Handed(at_ns, bytes.fromhex(data), taken) for at_ns, data, taken in rows]
            for name, rows in _rows(document, "handed")
        },
        foreign=[_foreign(*row) for row in document.get("foreign", [])],  # later than the rest
        frames=_frames(document["frames"]),
        faults=[_fault(fault) for fault in document["faults"]],
        actions=[ActionRecord(at_ns, values) for at_ns, values in document["actions"]],
        crashes=[Crash(**crash) for crash in document["crashes"]],
        logged=tuple(document["logged"]),
        shift=None if document["shift"] is None else Shift(**document["shift"]),
        outside=[_outside(*row) for row in document["outside"]],
    )


def _outside(at_ns: int, name: str, row: Any, presence: Presence, hands: str) -> OutsideEvent:
    frame = None
    if row is not None:
        identifier, extended, remote, dlc, data = row
        frame = Frame(identifier, bytes.fromhex(data), extended, remote, dlc)
    return OutsideEvent(at_ns, name, frame, presence, hands)


def _foreign(
    at_ns: int,
    node: str,
    identifier: int,
    extended: bool,
    data: str,
    taken: bool,
) -> Foreign:
    return Foreign(at_ns, node, identifier, extended, bytes.fromhex(data), taken)


def _fault(fields: Mapping[str, Any]) -> FaultRecord:
    nodes, loads = tuple(fields["nodes"]), tuple(fields.get("loads", ()))
    return FaultRecord(**{**fields, "nodes": nodes, "loads": loads})


def _fuse(fields: Mapping[str, Any]) -> FuseOpened:
    loads, nodes = tuple(fields["loads"]), tuple(fields["nodes"])
    return FuseOpened(**{**fields, "loads": loads, "nodes": nodes})


def _rows(document: Document, key: str) -> Iterable[tuple[str, Any]]:
    return document[key].items()  # type: ignore[no-any-return]


def _series(group: Mapping[str, Any]) -> dict[str, Series[Any]]:
    return {name: _changes(changes) for name, changes in group.items()}


def _changes(changes: Iterable[tuple[int, Any]]) -> Series[Any]:
    found: Series[Any] = Series()
    for at_ns, value in changes:
        found.set(int(at_ns), value)
    return found


def _frames(rows: Iterable[Any]) -> list[BusRecord]:
    return [
        BusRecord(
            start_ns,
            end_ns,
            sender,
            _frame(identifier, bytes.fromhex(data), extended, remote, dlc, *fd),
            tuple(receivers),
            error,
            tuple(lost_overrun),
            tuple(rivals),
        )
        for start_ns, end_ns, sender, identifier, extended, remote, dlc, data, receivers, error,
            lost_overrun, rivals, *fd in rows
    ]  # fmt: skip


def _frame(
    identifier: int,
    data: bytes,
    extended: bool,
    remote: bool,
    dlc: int,
    fd: list[bool] | None = None,  # older recordings have no such column
) -> Frame:
    if fd is None:
        return Frame(identifier, data, extended, remote, dlc)
    switch, passive = fd
    return FdFrame(identifier, data, extended, remote, dlc, switch, passive)
