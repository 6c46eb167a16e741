"""The wires between a real node on the desk and its I/O board, with the parts in them.

A divider brings the highest voltage of the car down to the 5 V of the board's lines. The car's
nominal voltage is still a sure high level then: 0.6 of 5 V, and 0.3 of it is a sure low one (8-bit
chips at 5 V, from memory; compare the data sheet of yours).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from linkloss.vehicle.desk_wiring import FeelTable, IoTable
from linkloss.vehicle.loading import Vehicle

OHM = "\u03a9"
BOARD_V = 5.0
HIGH_SHARE = 0.6
HIGHEST = 4 / 3
"""The highest voltage of a car, as a multiple of its nominal one: 16 V and 32 V."""
LOWER_OHM = 10_000
UPPER_OHM = (22_000, 33_000, 47_000, 56_000, 68_000, 82_000, 100_000)
"""The upper resistor of a divider, in steps of the series E12."""
TWENTY_FOUR_FROM_V = 18.0
CAUTIONS = (
    (
        "Feed the node from a supply whose current is limited, set to little more than it needs: "
        "never from a car battery without a fuse."
    ),
    (
        "If anything of this is in a car: wheels chocked, gearbox out of gear, hands, hair and "
        "clothes clear of belts, fans and shafts."
    ),
    (
        "Take off the leads of the starter and of whatever moves, heats or pumps, and put a lamp "
        "of a few watts in its place."
    ),
    (
        "One ground: the minus of the supply, the node's ground and the board's ground meet at "
        "one point, and the computer's USB ground is the same."
    ),
    (
        "A line of the board stands 0 to 5 V and 1 mA behind its resistor. More than that "
        "destroys it, and may reach the computer. Measure each line before you plug it in."
    ),
)
"""What comes before everything else on the list, on the page of the board and in the command."""


@dataclass(frozen=True, slots=True)
class Wire:
    """From a terminal of the node to one of the board, with what is in between."""

    node_end: str
    board_end: str
    parts: str


@dataclass(frozen=True, slots=True)
class DeskWires:
    """All wires of one node on the desk."""

    node: str
    volts: float
    wires: tuple[Wire, ...]
    not_felt: tuple[str, ...]
    not_driven: tuple[str, ...]
    """Inputs of the node without a line: they are asked of the person, or stay at rest."""


def desk_wires(vehicle: Vehicle, node: str) -> DeskWires:
    """The wires of a node with a table ``[io.NODE]``. Raises KeyError for one without."""
    table = vehicle.io[node]
    volts = nominal_volts(vehicle, table)
    loads = [name for name, load in vehicle.loads.items() if load.node == node]
    inputs = [name for name, entry in vehicle.inputs.items() if node in entry.wired_to]
    return DeskWires(
        node,
        volts,
        (*_felt(vehicle, table, volts), *_driven(table), *_pulled(table)),
        tuple(name for name in loads if name not in table.feels),
        tuple(name for name in inputs if name not in table.drives),
    )


def nominal_volts(vehicle: Vehicle, table: IoTable) -> float:
    """12 V or 24 V."""
    told = table.volts or (vehicle.supply.battery if vehicle.supply is not None else 12.0)
    return 24.0 if told >= TWENTY_FOUR_FROM_V else 12.0


def upper_ohm(volts: float) -> int:
    """The smallest upper resistor of a divider that keeps a car of a nominal voltage off 5 V."""
    highest_v = volts * HIGHEST
    return next(ohm for ohm in UPPER_OHM if highest_v * LOWER_OHM / (ohm + LOWER_OHM) <= BOARD_V)


def divider_of(feel: FeelTable, volts: float) -> float:
    """Volts at the load for one volt at the line."""
    return feel.divider or (upper_ohm(volts) + LOWER_OHM) / LOWER_OHM


def thresholds(feel: FeelTable, volts: float) -> tuple[int, int]:
    """From which reading of the converter (10 bits over 5 V) on an analogue line counts as high,
    and at which it is low again: a tenth below.
    """
    if feel.volts_per_amp is not None:
        assert feel.on_from is not None, "the table asks for it"
        at_line_v = feel.on_from * feel.volts_per_amp
    else:
        at_line_v = (feel.on_from or volts / 2) / divider_of(feel, volts)
    high = max(2, min(1023, round(at_line_v / BOARD_V * 1023)))
    return round(high * 0.9), high


def _felt(vehicle: Vehicle, table: IoTable, volts: float) -> Iterator[Wire]:
    for name, feel in table.feels.items():
        about = vehicle.loads[name].about or name
        side = "minus" if feel.inverted else "plus"
        if feel.volts_per_amp is not None:
            parts = f"current sense, {feel.volts_per_amp:g} V for 1 A; 1 k{OHM} in the lead"
            yield Wire(f"{about}: current", feel.line, parts)
            continue
        upper = upper_ohm(volts)
        parts = f"{upper // 1000} k{OHM} in the lead, 10 k{OHM} from {feel.line} to ground"
        if feel.divider is not None:
            parts = f"a divider of {feel.divider:g} : 1, 10 k{OHM} from {feel.line} to ground"
        yield Wire(f"{about}: {side} at the load", feel.line, parts)


def _driven(table: IoTable) -> Iterator[Wire]:
    for name, drive in table.drives.items():
        ends = "the pin, emitter at ground" if drive.closes_to == "ground" else "the supply"
        ends += "" if drive.closes_to == "ground" else ", emitter at the pin"
        parts = f"optocoupler, 470 {OHM} before its lamp, collector at {ends}"
        yield Wire(f"{name} ({', '.join(drive.positions)})", drive.line, parts)


COIL = (
    f"coil on 5 V by a transistor: 1 k{OHM} to its base, 10 k{OHM} from base to ground, a diode"
    " across the coil"
)
_CONTACTS = {
    "supply": ("supply, plus", "break contact in the lead of the supply"),
    "plug": ("CAN_H and CAN_L", "two break contacts, one in each lead of the CAN plug"),
    "reset": ("reset line", "make contact from the reset line to ground"),
}


def _pulled(table: IoTable) -> Iterator[Wire]:
    for what, relay in table.relays.items():
        end, contact = _CONTACTS[what]
        yield Wire(end, relay, f"{contact}; {COIL}")
