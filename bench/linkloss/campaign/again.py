"""Judging a recording again: by the rules that its vehicle has today, or by those of another."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from linkloss.campaign.result import RunResult
from linkloss.campaign.run import judged
from linkloss.model.loading import Vehicle, load_vehicle
from linkloss.model.problem import BadInput
from linkloss.outside import Outside
from linkloss.recording import Recording
from linkloss.replay.recorded import read_document, recording_of
from linkloss.scenario import Expectation, Scenario, TimedAction


def judged_again(path: str | Path, vehicle: str | Path | None = None) -> RunResult:
    """The run that a JSON file holds, judged anew; nothing is simulated.

    :param vehicle: the vehicle file; None takes the one that the recording names.
    :raises BadInput: for a file that is no recording, or one of another vehicle.
    """
    document = read_document(path)
    recording = recording_of(document, path)
    loaded = load_vehicle(_vehicle(Path(path), document.get("vehicle_file"), vehicle))
    _ensure_fits(path, recording, loaded)
    try:
        expectations = tuple(
            Expectation(entry["load"], entry["state"], entry["from_ns"], entry["to_ns"])
            for entry in document["expected"]
        )
        scenario = Scenario(
            name=str(document["scenario"]),
            title=str(document["title"]),
            vehicle=loaded,
            situation=str(document["situation"]),
            inputs=dict(document["beginning"]),
            actions=tuple(TimedAction(entry.at_ns, entry.values) for entry in recording.actions),
            faults=(),
            lasts_ns=recording.end_ns,
            seed=recording.seed,
            expectations=expectations,
            outside=_real(document["real"]),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise BadInput.one(path, "", f"the recording is damaged: {error!r}") from None
    return judged(scenario, recording)


def _real(told: Mapping[str, Any] | None) -> Outside | None:
    """Which nodes were real; what they did stands in the recording."""
    if told is None:
        return None
    return Outside(nodes=tuple(told["nodes"]), delay_ns=told["delay_ns"], doubt=told["doubt"])


def _vehicle(path: Path, named: object, given: str | Path | None) -> str | Path:
    if given is not None:
        return given
    for place in (Path(str(named)), path.parent / str(named)):
        if place.is_file():
            return place
    text = f"its vehicle file '{named}' is not there; expected '--vehicle FILE'"
    raise BadInput.one(path, "vehicle_file", text)


def _ensure_fits(path: str | Path, recording: Recording, vehicle: Vehicle) -> None:
    """A recording of other nodes, inputs or loads says nothing about this vehicle."""
    simulated = {n for n, load in vehicle.loads.items() if load.node not in recording.logged}
    lines = {(name, node) for name, table in vehicle.inputs.items() for node in table.wired_to}
    fits = {
        "nodes": set(recording.nodes) == set(vehicle.nodes),
        "inputs": set(recording.inputs) == set(vehicle.inputs) and set(recording.seen) == lines,
        "loads": set(recording.outputs) == simulated,
    }
    for what, same in fits.items():
        if not same:
            text = f"the recording has other {what} than the vehicle '{vehicle.path}'"
            raise BadInput.one(path, "", text)
