"""A simulated run of Wren as an I/O board would have told of it, its rear node taken as real.

Every instant lies somewhere in its span: the lab knows where.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from random import Random

from linkloss.judge import Outcome, Verdict
from linkloss.judge.felt import DeskRecord, Down
from linkloss.recording import Outside, Recording, Series
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.desk_wiring import IoTable
from linkloss.vehicle.expression import Value
from linkloss.vehicle.loading import Vehicle, load_vehicle

MS = 1_000_000
LIMIT = 100 * MS
LOADS = ("tail_left", "brake_lamps", "reverse_lamps", "indicator_rear_left", "accessory_socket")
CASES = (
    "night_drive/unplug(rear)@2432ms+1550ms",
    "lane_change/drop(LampRequest,rear)@685ms+1551ms",
    "braking/none",
    "reversing/reset(rear)@1895ms",
)
WIRED = IoTable.model_validate(
    {
        "supply": "relay1",
        "plug": "relay2",
        "reset": "relay3",
        "feels": {load: f"in{number}" for number, load in enumerate(LOADS, 1)},
        "drives": {
            "brake_pedal": {"line": "out1", "positions": ["pressed"]},
            "reverse_gear": {"line": "out2", "positions": ["engaged"]},
            "hazard": {"line": "out3", "positions": ["on"]},
            "ignition": {"line": "out4", "positions": ["on"]},
        },
    }
)
Judging = tuple[Vehicle, Recording, Outside, DeskRecord]
"""What the judge of felt loads takes."""


def roomy_wren() -> Vehicle:
    """Wren with limits of 100 ms, its rear node wired to a board."""
    vehicle = load_vehicle(demo_vehicle())
    roomy = {
        name: load.model_copy(update={"latency": LIMIT, "latency_off": None, "reaction": LIMIT})
        for name, load in vehicle.loads.items()
    }
    update = {"loads": roomy, "io": {"rear": WIRED}}
    return replace(vehicle, file=vehicle.file.model_copy(update=update))


def dated(
    runs: tuple[Vehicle, Mapping[str, Recording]],
    name: str,
    seed: int,
    width_ns: int,
    *,
    loads: Sequence[str] = LOADS,
) -> Judging:
    """What a board would have told of a run, with spans of a width."""
    vehicle, recordings = runs
    recording, draws = recordings[name], Random(seed)

    def late() -> int:
        return draws.randrange(width_ns + 1)

    desk = DeskRecord(frame_width_ns=width_ns)
    for load in loads:
        felt: Series[float] = Series()
        for at_ns, level in recording.outputs[load].changes():
            at = at_ns + late() if at_ns else 0
            felt.set(max(at, felt.times[-1] + 1 if felt.times else 0), level)
        desk.felt[load], desk.felt_width_ns[load] = felt, width_ns
    for (key, node), series in recording.seen.items():
        if node == "rear":
            seen: Series[Value] = Series()
            for at_ns, value in series.changes():
                seen.set(max(0, at_ns - late()), value)
            desk.seen[key], desk.seen_width_ns[key] = seen, width_ns
    for record in recording.frames:
        if "rear" in record.receivers:
            desk.frames.append((record.frame, max(record.end_ns - late(), record.start_ns)))
    for change in recording.nodes["rear"]:
        if change.state == "reset":
            held_ns = 20 * MS if change.at_ns else 0  # and it takes 60 ms to boot, of 100
            desk.downs.append(Down(change.at_ns, change.at_ns + held_ns, 0))
    own = {load for load, table in vehicle.loads.items() if table.node == "rear"}
    commands = {key: series for key, series in recording.commands.items() if key not in own}
    real = replace(recording, logged=("rear",), commands=commands)
    return vehicle, real, Outside(nodes=("rear",)), desk


def outcomes(verdicts: Sequence[Verdict]) -> dict[tuple[str, str], Outcome]:
    return {(verdict.subject, verdict.rule): verdict.outcome for verdict in verdicts}
