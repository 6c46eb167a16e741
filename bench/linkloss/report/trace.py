"""A whole recording as plain lists, ready for JSON: nothing left out, nothing rounded."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from linkloss.bus import BusRecord, FdFrame
from linkloss.outside import OutsideEvent
from linkloss.recording import NodeChange, Recording, Series

FRAME_COLUMNS = (
    "start_ns",
    "end_ns",
    "sender",
    "identifier",
    "extended",
    "remote",
    "dlc",
    "data",
    "receivers",
    "error",
    "lost_overrun",
    "rivals",
    "fd",
)

OUTSIDE_COLUMNS = ("at_ns", "name", "frame", "presence", "hands")


def recording_fields(recording: Recording) -> dict[str, Any]:
    """The fields of a recording by name. Series are lists of [instant in ns, value]."""
    return {
        "seed": recording.seed,
        "end_ns": recording.end_ns,
        "logged": list(recording.logged),
        "shift": None if recording.shift is None else asdict(recording.shift),
        "actions": [[action.at_ns, dict(action.values)] for action in recording.actions],
        "faults": [fault._asdict() for fault in recording.faults],
        "inputs": _all_series(recording.inputs),
        "seen": _seen(recording),
        "outputs": _all_series(recording.outputs),
        "commands": _all_series(recording.commands),
        "volts": _all_series(recording.volts),
        "amps": _all_series(recording.amps),
        "driven": _all_series(recording.driven),
        "trips": _all_series(recording.trips),
        "fuses": [fuse._asdict() for fuse in recording.fuses],
        "node_columns": list(NodeChange._fields),
        "nodes": _rows(recording.nodes),
        "controller_columns": ["at_ns", "state", "tec", "rec"],
        "controllers": _rows(recording.controllers),
        "crashes": [crash._asdict() for crash in recording.crashes],
        "handed_columns": ["at_ns", "data", "taken"],
        "handed": {
            name: [[entry.at_ns, entry.data.hex(), entry.taken] for entry in recording.handed[name]]
            for name in sorted(recording.handed)
        },
        "foreign_columns": ["at_ns", "node", "identifier", "extended", "data", "taken"],
        "foreign": [[*entry[:4], entry.data.hex(), entry.taken] for entry in recording.foreign],
        "outside_columns": list(OUTSIDE_COLUMNS),
        "outside": [_outside_row(event) for event in recording.outside],
        "frame_columns": list(FRAME_COLUMNS),
        "frames": [frame_row(record) for record in recording.frames],
    }


def _outside_row(event: OutsideEvent) -> list[Any]:
    """What somebody outside did, in the order of OUTSIDE_COLUMNS; ``frame`` is None or identifier,
    extended, remote, DLC and data.
    """
    at_ns, name, frame, presence, hands = event
    row = frame and [
        frame.identifier,
        frame.extended,
        frame.remote,
        frame.dlc,
        frame.data.hex(),
    ]
    return [at_ns, name, row, presence, hands]


def frame_row(record: BusRecord) -> list[Any]:
    """One frame, in the order of FRAME_COLUMNS; data in hexadecimal; of a CAN FD frame whether the
    bit rate switches and whether its sender is error-passive.
    """
    frame = record.frame
    return [
        record.start_ns,
        record.end_ns,
        record.sender,
        frame.identifier,
        frame.extended,
        frame.remote,
        frame.dlc,
        frame.data.hex(),
        list(record.receivers),
        record.error,
        list(record.lost_overrun),
        list(record.rivals),
        [frame.bit_rate_switch, frame.error_state_indicator]
        if isinstance(frame, FdFrame)
        else None,
    ]


def _all_series(group: Mapping[str, Series[Any]]) -> dict[str, list[list[Any]]]:
    return {name: _changes(series) for name, series in group.items()}


def _changes(series: Series[Any]) -> list[list[Any]]:
    return [list(change) for change in series.changes()]


def _seen(recording: Recording) -> dict[str, dict[str, list[list[Any]]]]:
    found: dict[str, dict[str, list[list[Any]]]] = {}
    for (name, node), series in recording.seen.items():
        found.setdefault(name, {})[node] = _changes(series)
    return found


def _rows(group: Mapping[str, Iterable[tuple[Any, ...]]]) -> dict[str, list[list[Any]]]:
    return {name: [list(row) for row in rows] for name, rows in group.items()}
