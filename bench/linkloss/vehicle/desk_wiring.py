"""How a real node on the desk is wired to the I/O board: ``[io.NODE]``.

The lines of a board have the names that its wiring list has. ``in1`` and further feel digital
levels, ``an1`` and further are analogue, ``out1`` and further drive the node's inputs, ``relay1``
and further pull its supply, its CAN plug and its reset line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any, Literal, NamedTuple

from pydantic import Field, model_validator

from linkloss.problem import unknown
from linkloss.units import Duration, Voltage
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.toml import Table

MS = 1_000_000
LineKind = Literal["in", "an", "out", "relay"]


class BoardKind(NamedTuple):
    """What a kind of board has."""

    digital: int
    analog: int
    drives: int
    relays: int

    def names(self, kind: LineKind) -> tuple[str, ...]:
        """The names of its lines of a kind."""
        counts = {"in": self.digital, "an": self.analog, "out": self.drives, "relay": self.relays}
        return tuple(f"{kind}{number}" for number in range(1, counts[kind] + 1))


BOARDS = {"20 pins": BoardKind(6, 4, 4, 3), "70 pins": BoardKind(16, 8, 12, 6)}
"""The boards by name; ``nodes/firmware/io_board/pins.h`` has their pins."""


def line_number(name: str) -> int:
    """The number that the board gives a line, from 0."""
    found = re.search(r"\d+$", name)
    assert found is not None, name
    return int(found[0]) - 1


class FeelTable(Table):
    """The line that feels a load of the node."""

    line: str = Field(description="'in1' and further, or 'an1' and further")
    divider: float | None = Field(
        default=None,
        gt=1,
        allow_inf_nan=False,
        description="volts at the load for one volt at the line; default: that of the wiring list",
    )
    volts_per_amp: float | None = Field(
        default=None,
        gt=0,
        allow_inf_nan=False,
        description="of a current sense on an analogue line: volts at the line for one ampere",
    )
    on_from: float | None = Field(
        default=None,
        gt=0,
        allow_inf_nan=False,
        description="of an analogue line: from how many volts at the load, or amperes through it,"
        " it counts as on; default: half the car's voltage; needed for a current",
    )
    inverted: bool = Field(
        default=False, description="the line is high while the load is off: its minus is switched"
    )

    @model_validator(mode="after")
    def _one_sense(self) -> FeelTable:
        if self.volts_per_amp is not None and (self.divider is not None or self.inverted):
            raise ValueError("a current sense has neither 'divider' nor 'inverted'")
        if self.volts_per_amp is not None and self.on_from is None:
            raise ValueError("expected 'on_from', in amperes, for a current sense")
        return self


class DriveTable(Table):
    """The line that makes an input of the node."""

    line: str = Field(description="'out1' and further")
    positions: tuple[str, ...] = Field(
        min_length=1,
        description="of the switch: the line is driven in these, and at rest in others",
    )
    closes_to: Literal["ground", "supply"] = Field(
        default="ground", description="what the switch in the car connects the node's pin to"
    )


class IoTable(Table):
    """A real node on the desk: how it is wired to the I/O board."""

    board: Literal["20 pins", "70 pins"] = Field(
        default="20 pins", description="the kind of board that its sketch is flashed to"
    )
    volts: Voltage | None = Field(
        default=None,
        gt=0,
        description="the car's voltage; default: that of 'supply.battery', or 12 V",
    )
    supply: str | None = Field(default=None, description="the relay that takes the node's supply")
    plug: str | None = Field(default=None, description="the relay that opens its CAN plug")
    reset: str | None = Field(default=None, description="the relay that pulls its reset line")
    operates_in: Duration = Field(
        default=10 * MS, gt=0, description="longest time in which a relay opens or closes"
    )
    feels: dict[str, FeelTable] = Field(
        default_factory=dict, description="load of the node = the line that feels it"
    )
    drives: dict[str, DriveTable] = Field(
        default_factory=dict, description="input of the node = the line that makes it"
    )

    @model_validator(mode="before")
    @classmethod
    def _short_forms(cls, values: Any) -> Any:
        """``tail_left = "in1"`` stands for ``tail_left = { line = "in1" }``."""
        if not isinstance(values, dict) or not isinstance(values.get("feels"), dict):
            return values
        feels = {
            name: {"line": entry} if isinstance(entry, str) else entry
            for name, entry in values["feels"].items()
        }
        return {**values, "feels": feels}

    @property
    def kind(self) -> BoardKind:
        """What its board has."""
        return BOARDS[self.board]

    @property
    def relays(self) -> dict[str, str]:
        """Its relays by what they take: ``supply``, ``plug``, ``reset``."""
        found = {"supply": self.supply, "plug": self.plug, "reset": self.reset}
        return {what: relay for what, relay in found.items() if relay is not None}

    def felt_line(self, load: str) -> int:
        """The number of the line that feels a load, as the board counts: digital ones first."""
        name = self.feels[load].line
        return line_number(name) + (self.kind.digital if name.startswith("an") else 0)


Mistakes = Iterator[tuple[tuple[str, ...], str]]
"""(where in the table, text for the user)"""


def io_problems(
    node: str, table: IoTable, loads: Mapping[str, LoadTable], inputs: Mapping[str, Any]
) -> Mistakes:
    """The mistakes in the wiring of a node: lines that the board has not or that serve twice, loads
    and inputs that are not the node's.

    :param inputs: the inputs of the vehicle by name, as tables of its file.
    """
    used: dict[str, str] = {}
    for place, line, kinds in _lines(table):
        known = [name for kind in kinds for name in table.kind.names(kind)]
        if line not in known:
            yield place, unknown(f"line of a board of {table.board}", line, known)
        elif line in used:
            yield place, f"'{line}' is that of {used[line]} already; expected a line of its own"
        used.setdefault(line, place[-2] if place[-1] == "line" else place[-1])
    own = [name for name, load in loads.items() if load.node == node]
    for name, feel in table.feels.items():
        if name not in own:
            yield ("feels", name), unknown(f"load of node '{node}'", name, own)
        elif feel.line.startswith("in") and (feel.volts_per_amp or feel.on_from):
            text = "a digital line knows high and low only; expected an analogue one, such as 'an1'"
            yield ("feels", name, "line"), text
    wired = {name: table for name, table in inputs.items() if node in table.wired_to}
    switches = {name: entry.positions for name, entry in wired.items() if entry.positions}
    for name, drive in table.drives.items():
        if name not in switches:
            yield ("drives", name), unknown(f"switch wired to node '{node}'", name, switches)
            continue
        for position in drive.positions:
            if position not in switches[name]:
                text = unknown(f"position of '{name}'", position, switches[name])
                yield ("drives", name, "positions"), text
        if switches[name][0] in drive.positions:
            text = (
                f"'{switches[name][0]}' is where '{name}' rests, and a line at rest is not driven"
            )
            yield ("drives", name, "positions"), text


def _lines(table: IoTable) -> Iterator[tuple[tuple[str, ...], str, tuple[LineKind, ...]]]:
    """(where in the table, line, kinds of lines that may stand there)"""
    for what, relay in table.relays.items():
        yield (what,), relay, ("relay",)
    for name, feel in table.feels.items():
        kinds: tuple[LineKind, ...] = ("an",) if feel.volts_per_amp else ("in", "an")
        yield ("feels", name, "line"), feel.line, kinds
    for name, drive in table.drives.items():
        yield ("drives", name, "line"), drive.line, ("out",)
