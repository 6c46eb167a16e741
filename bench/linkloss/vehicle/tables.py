"""One car's description, as ``vehicle.toml`` has it.

The models here hold what one table may say. :mod:`linkloss.vehicle.consistency` checks what must
agree across tables, and :mod:`linkloss.vehicle.loading` puts the whole together. All are frozen: a
vehicle is read once and never changed.

A profile of a CAN controller names what such a chip offers, not a product; properties beside it in
the file override it. Its figures are common practice for chips of that kind: compare them with the
data sheet of yours.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import inf
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from linkloss.firmware.avr import BOARDS, BROWN_OUT_HYSTERESIS_V, BROWN_OUT_V, CHIPS
from linkloss.problem import unknown
from linkloss.units import (
    BitRate,
    Clock,
    Current,
    DataBitRate,
    Drift,
    Duration,
    Length,
    Share,
    Voltage,
)
from linkloss.vehicle.desk_wiring import IoTable
from linkloss.vehicle.electrical import NodeSupplyTable, SupplyTable
from linkloss.vehicle.expression import Condition, Value
from linkloss.vehicle.load import LoadTable, NoticeTable
from linkloss.vehicle.routes import RouteTable
from linkloss.vehicle.toml import ConditionText, Table, as_written

BASE_MASK, EXTENDED_MASK = 0x7FF, 0x1FFF_FFFF


@dataclass(frozen=True, slots=True)
class Profile:
    """A kind of controller: what it is in a sentence, and the properties that it sets."""

    about: str
    properties: dict[str, Any]


PROFILES = {
    "two_buffers": Profile(
        "three mailboxes and two receive buffers, as chips beside the processor on SPI have",
        {
            "mailboxes": 3,
            "mailbox_order": "priority",
            "receive_depth": 2,
            "receive_overrun": "keep",
            "auto_recovery": True,
        },
    ),
    "one_mailbox": Profile(
        "one mailbox and a deep receive FIFO; the program asks to come back from bus-off",
        {
            "mailboxes": 1,
            "mailbox_order": "priority",
            "receive_depth": 64,
            "receive_overrun": "keep",
            "auto_recovery": False,
        },
    ),
    "shared_mailboxes": Profile(
        "32 mailboxes with masks, taken here as 16 for sending and 16 for receiving; when those"
        " are full the newest frame is overwritten",
        {
            "mailboxes": 16,
            "mailbox_order": "priority",
            "receive_depth": 16,
            "receive_overrun": "overwrite",
            "auto_recovery": True,
        },
    ),
}
"""The profiles by name; figures are common practice."""


def _known(name: str) -> str:
    if name not in PROFILES:
        raise ValueError(unknown("controller", name, PROFILES))
    return name


class FilterTable(BaseModel):
    """One acceptance filter: a frame passes if its identifier agrees wherever the mask has ones."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    message: str | None = Field(default=None, description="exactly this message of the DBC")
    id: int | None = Field(
        default=None, ge=0, le=EXTENDED_MASK, description="or the identifier to compare with"
    )
    mask: int | None = Field(
        default=None, ge=0, le=EXTENDED_MASK, description="ones: bits that count; default: all"
    )
    extended: bool = Field(default=False, description="for extended frames, else for base frames")

    @model_validator(mode="after")
    def _one_kind(self) -> FilterTable:
        if (self.message is None) == (self.id is None):
            raise ValueError("expected either 'message' or 'id'")
        if self.message is not None and (self.mask is not None or self.extended):
            raise ValueError("a filter for a 'message' has neither 'mask' nor 'extended'")
        most = EXTENDED_MASK if self.extended else BASE_MASK
        for key, value in (("id", self.id), ("mask", self.mask)):
            if value is not None and value > most:
                text = f"'{key}' is {value:#x}; expected 0x0 to 0x7ff of a base frame"
                raise ValueError(f"{text}, or 'extended = true'")
        return self


def _filters(value: object) -> object:
    """A name stands for the message of that name."""
    if not isinstance(value, list | tuple):
        return value
    return [{"message": entry} if isinstance(entry, str) else entry for entry in value]


Filters = Annotated[
    tuple[FilterTable, ...],
    BeforeValidator(_filters, json_schema_input_type=list[str | FilterTable]),
]


class ControllerTable(BaseModel):
    """The properties of a node's controller."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    controller: Annotated[str, AfterValidator(_known)] | None = Field(
        default=None,
        description="a kind of CAN controller, for the properties that are not given beside it: "
        + "; ".join(f"{name}: {profile.about}" for name, profile in PROFILES.items()),
        json_schema_extra={"enum": list(PROFILES)},
    )
    mailboxes: int = Field(default=3, ge=1, le=32, description="transmit mailboxes")
    mailbox_order: Literal["priority", "fifo"] = Field(
        default="priority", description="which waiting frame goes first"
    )
    receive_depth: int = Field(default=64, ge=1, description="frames the receive FIFO holds")
    receive_overrun: Literal["keep", "overwrite"] = Field(
        default="keep",
        description="when it is full: what is in it stays, or the newest frame is overwritten",
    )
    filters: Filters = Field(
        default=(),
        description="acceptance filters after a reset; a message's name, or a table; none: all",
    )
    single_shot: bool = Field(
        default=False, description="after a reset: each frame is sent once, whatever becomes of it"
    )
    listen_only: bool = Field(
        default=False, description="after a reset: it neither sends nor acknowledges"
    )
    auto_recovery: bool = Field(default=False, description="controller leaves bus-off by itself")
    fd: bool = Field(default=False, description="it sends and receives CAN FD frames too")

    @model_validator(mode="before")
    @classmethod
    def _with_profile(cls, values: Any) -> Any:
        profile = PROFILES.get(values.get("controller", "")) if isinstance(values, dict) else None
        return values if profile is None else {**profile.properties, **values}


US = 1_000


_CHIP_PIN = re.compile(r"P[A-L][0-7]|ADC[67]")


def _pin(value: object) -> object:
    if isinstance(value, str):
        if not _CHIP_PIN.fullmatch(value):
            raise ValueError(f"'{value}' is no pin; expected a number, or one like 'PD4'")
    elif isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 255:
        raise ValueError(f"got {value!r}; expected a number from 0 to 255, or one like 'PD4'")
    return value


PinName = Annotated[
    int | str,
    BeforeValidator(_pin),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "integer", "minimum": 0, "maximum": 255},
                {"type": "string", "pattern": f"^({_CHIP_PIN.pattern})$"},
            ]
        }
    ),
]


class PinTable(BaseModel):
    """One pin and what it means."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pin: PinName = Field(
        description="number of the pin, as the program uses it; of an image a pin of its chip, such"
        " as 'PD4', or a number of its board"
    )
    active: Literal["high", "low"] = Field(
        default="high", description="level of an active input, or of a load that is on"
    )
    positions: tuple[str, ...] | None = Field(
        default=None,
        min_length=1,
        description="of a switch: where the pin is active; default: all but the first position",
    )


def _pins(value: object) -> object:
    """A number stands for a pin with that number, one pin for a list of one."""
    entries = value if isinstance(value, list | tuple) else [value]
    return [
        {"pin": entry} if isinstance(entry, int | str) and not isinstance(entry, bool) else entry
        for entry in entries
    ]


Pins = Annotated[
    tuple[PinTable, ...],
    BeforeValidator(_pins, json_schema_input_type=PinName | PinTable | list[PinName | PinTable]),
]


class SenseTable(BaseModel):
    """What a pin of the analogue converter measures of the node itself."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pin: PinName = Field(description="the pin, as in 'pins'")
    volts: Voltage | None = Field(
        default=None, gt=0, description="of 'supply': the voltage at its largest reading"
    )
    amps: Current | None = Field(
        default=None, gt=0, description="of an output: the current at its largest reading"
    )


class SpiCanTable(BaseModel):
    """An SPI CAN controller beside the processor: the pins that lead to it, and its oscillator."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    select: PinName = Field(description="the pin of its chip select")
    interrupt: PinName | None = Field(default=None, description="the pin of its interrupt output")
    oscillator: Clock = Field(default=16_000_000, description="its oscillator")


class FusesTable(BaseModel):
    """Fuses of the chip of an image, as far as they matter on the bench."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    watchdog_always: bool = Field(
        default=False, description="WDTON: the watchdog cannot be switched off"
    )
    brown_out: Literal["off", "1.8 V", "2.7 V", "4.3 V"] | None = Field(
        default=None,
        description="BODLEVEL: below it, at the chip, the detector resets; where the chip needs"
        " more for its clock, its program runs wild in between; default: as the table 'supply'"
        " says",
    )


class TargetTable(BaseModel):
    """The processor that the program is written for."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    family: Literal["board", "avr"] = Field(
        default="board",
        description="'avr': the sources are compiled by avr-gcc, and the image runs; default: they"
        " are compiled for the bench",
    )

    int_bits: Literal[16, 32] = Field(default=32, description="bits of an int")
    long_bits: Literal[32, 64] = Field(default=32, description="bits of a long")
    char: Literal["signed", "unsigned"] = Field(default="signed", description="a plain char is")
    call: Duration = Field(
        default=2 * US, gt=0, description="processor time of one call to the board"
    )
    setup: Duration = Field(
        default=1_000 * US,
        gt=0,
        description="longest time from the program's first instruction until it has its pins;"
        " the slowest boot leaves so much of 'boot' to it",
    )
    clock_start: Duration = Field(
        default=0, ge=0, description="what the clock shows at power-up; it rolls over at 2**32 ms"
    )
    memory: int = Field(default=1024, ge=1, le=65535, description="bytes that outlive a reset")
    analog_bits: int = Field(default=10, ge=1, le=16, description="bits of the analogue converter")


def _target(value: object) -> object:
    """A family of processors stands for the table that names only that."""
    return {"family": value} if isinstance(value, str) else value


MS = 1_000_000
_DETECTOR = "brown_out_detector"
ANY_FRAME = "any frame"
"""A waker: any frame on the bus wakes the node, as with a common transceiver."""
_POSITION = re.compile(r"[^\s@(),/](?:[^\n\r\t@(),/]*[^\s@(),/])?")
_IDENTIFIER = re.compile(r"^0x([0-9A-Fa-f]+)(x?)$")


def _value(value: object) -> Value:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError(f"got {value!r}; expected a position or a number")
    return value if isinstance(value, str) else float(value)


def read_identifier(text: object) -> tuple[int, bool]:
    """``0x123`` (base) or ``0x18FF0010x`` (extended) -> the identifier, and whether it is extended.
    Raises ValueError.
    """
    found = _IDENTIFIER.fullmatch(text) if isinstance(text, str) else None
    if found is None:
        expected = "expected '0x123' of a base frame or '0x18FF0010x' of an extended one"
        raise ValueError(f"got {text!r}; {expected}")
    identifier, extended = int(found[1], 16), bool(found[2])
    most = EXTENDED_MASK if extended else BASE_MASK
    if identifier > most:
        kind = "an extended" if extended else "a base"
        hint = "" if extended else "; an extended one ends in 'x'"
        raise ValueError(f"'{text}' is too large for {kind} frame: {most:#x} at most{hint}")
    return identifier, extended


def write_identifier(identifier: int, extended: bool) -> str:
    """The text that :func:`read_identifier` reads."""
    return f"0x{identifier:08X}x" if extended else f"0x{identifier:03X}"


Identifier = Annotated[
    str,
    as_written(read_identifier),
    Field(json_schema_extra={"pattern": _IDENTIFIER.pattern, "examples": ["0x123", "0x18FF0010x"]}),
]
InputValue = Annotated[str | float, BeforeValidator(_value)]


class ErrorsTable(Table):
    """The errors that the message plan must tolerate: a burst, then one now and then."""

    burst: int = Field(default=1, ge=1, description="most errors at the same time")
    interval: Duration | None = Field(
        default=None,
        gt=0,
        description="shortest time from one error to the next after that; default: none",
    )


def _files(value: object) -> object:
    names = value if isinstance(value, list | tuple) else [value]
    if not names or not all(isinstance(name, str) for name in names):
        raise ValueError(f"got {value!r}; expected the name of a file, or a list of names")
    if len(set(names)) < len(names):
        raise ValueError("names a file twice")
    return value


class BusTable(Table):
    """A CAN cable: bit rate, the nodes along it, and python-can's name for the channel."""

    dbc: Annotated[str | tuple[str, ...] | None, BeforeValidator(_files)] = Field(
        default=None,
        description="its own message definition, or a list of several, where a vehicle has more"
        " than one bus",
        json_schema_extra={"examples": ["engine.dbc"]},
    )
    bit_rate: BitRate = Field(description="bit rate of the bus")
    data_bit_rate: DataBitRate | None = Field(
        default=None, description="of the faster part of CAN FD frames; default: 'bit_rate'"
    )
    # 87.5 % is the usual point up to 500 kbit/s (CiA DS-102); libraries for hobby boards go down to
    # 56 % (from memory), which a short cable tolerates.
    sample_point: tuple[Share, Share] = Field(
        default=(0.5, 0.9),
        description="least and greatest share of a bit behind which a controller may sample it;"
        " default: 50 % to 90 %",
    )
    cable: tuple[str, ...] = Field(min_length=1, description="the nodes in cable order")
    channel: str = Field(
        default="car",
        description="channel name for python-can programs; default: 'car', with several buses the"
        " name of each",
    )
    worst_wait: Duration = Field(
        default=10 * MS,
        description="longest time that a request waits for the bus with no fault present",
    )
    length: Length = Field(default=10.0, gt=0, description="length of the trunk; default: 10 m")
    stub: Length = Field(default=0.3, description="length of a stub; default: 0.3 m")
    terminators: int = Field(
        default=2, ge=0, le=4, description="terminators of 120 ohm on the cable; default: 2"
    )
    errors: ErrorsTable | None = Field(
        default=None, description="errors that 'linkloss timing' reckons with; default: none"
    )

    @field_validator("sample_point")
    @classmethod
    def _in_order(cls, points: tuple[float, float]) -> tuple[float, float]:
        if not 0 < points[0] <= points[1] < 1:
            raise ValueError(
                f"got {points[0]:.1%} to {points[1]:.1%}; expected the least first, both inside the"
                ' bit, like ["75 %", "90 %"]'
            )
        return points

    @property
    def dbc_files(self) -> tuple[str, ...]:
        """Its own message definitions."""
        return _listed(self.dbc)


def _listed(names: str | tuple[str, ...] | None) -> tuple[str, ...]:
    return (names,) if isinstance(names, str) else names or ()


def by_name(table: object) -> object:
    """The buses by name. ``[bus]`` has the keys of the only bus, whose name is empty, or holds a
    table for each bus: ``[bus.NAME]``.
    """
    if not isinstance(table, Mapping):
        return table
    named = bool(table) and all(isinstance(bus, Mapping | BusTable) for bus in table.values())
    if not named or set(table) & set(BusTable.model_fields):
        return {"": table}
    if len(table) == 1:
        return table
    return {
        name: {"channel": name, **bus} if isinstance(bus, Mapping) else bus
        for name, bus in table.items()
    }


class MessageTable(Table):
    """How a message is sent, where its cycle time in the DBC does not say all."""

    cycle: Duration | None = Field(
        default=None,
        gt=0,
        description="its cycle time, instead of that in the DBC",
    )

    min_gap: Duration | None = Field(
        default=None,
        gt=0,
        description="shortest time from one sending to the next, for a message that is also sent"
        " when its content changes; default: its period",
    )
    page_cycle: Duration | None = Field(
        default=None,
        gt=0,
        description="longest time until the same page of a multiplexed message comes again;"
        " default: a period for each page",
    )
    jitter: Duration = Field(
        default=0, description="longest time from when it is due until the controller has it"
    )
    deadline: Duration | None = Field(
        default=None,
        gt=0,
        description="longest time from when it is due until it is sent; default: its period",
    )
    on_change: tuple[str, ...] | None = Field(
        default=None,
        description="signals that may bring it early when they change; default: each of up to 4"
        " bits, but counter and checksum",
    )


LOGGED_BOOT = "100 ms"
"""How long a logged node is off the bus after a reset, unless its table says so."""


def _boot_unless_logged(schema: dict[str, Any]) -> None:
    """In JSON Schema, what the validators of a node's table do about 'boot'."""
    schema["required"] = [key for key in schema["required"] if key != "boot"]
    logged = {"properties": {"logged": {"const": True}}, "required": ["logged"]}
    schema["anyOf"] = [{"required": ["boot"]}, logged]


class NodeTable(ControllerTable, Table):
    """One control unit: its program, its controller, and how it starts."""

    model_config = ConfigDict(json_schema_extra=_boot_unless_logged)

    python: str | None = Field(
        default=None, description="the program: 'file.py:Class' or 'package.module:Class'"
    )
    c: tuple[str, ...] = Field(
        default=(), description="the program: C and C++ sources, beside this file"
    )
    script: str | None = Field(
        default=None, description="the program: a python-can script, beside this file"
    )
    channel: str | None = Field(
        default=None,
        description="of a script: the channel of its adapter, as python-can names it: no other"
        " opens; default: the first one that it opens",
    )
    buses: tuple[str, ...] = Field(
        default=(),
        description="the buses of a gateway, which has a controller on each; default: the one whose"
        " cable names it",
        json_schema_extra={"examples": [["engine", "body"]]},
    )
    logged: bool = Field(
        default=False,
        description="it has no program here: its messages come from a logged drive ('replay',"
        " 'check --drive'), and not at all without one",
    )
    defines: tuple[str, ...] = Field(
        default=(), description="definitions for the sources: NAME or NAME=VALUE"
    )
    includes: tuple[str, ...] = Field(default=(), description="folders with their headers")
    std: str | None = Field(default=None, description="their language: c11, gnu++17, ...")
    pins: dict[str, Pins] = Field(
        default_factory=dict,
        description="of a C program or a script: input or output = its pin or pins",
    )
    target: Annotated[
        TargetTable, BeforeValidator(_target, json_schema_input_type=Literal["avr"] | TargetTable)
    ] = Field(
        default_factory=TargetTable, description="of a C program: the processor it is written for"
    )
    image: str | None = Field(
        default=None, description="the program: the image that is flashed, an ELF or hex file"
    )
    chip: str | None = Field(
        default=None, description="of an image: its processor, such as 'atmega328p'"
    )
    board: str | None = Field(
        default=None, description="of an image: the board, whose numbers 'pins' has"
    )
    clock: Clock | None = Field(
        default=None, description="of an image: its oscillator; default: 16 MHz"
    )
    spi_can: SpiCanTable | None = Field(
        default=None, description="of a sketch or an image: the CAN controller on its SPI port"
    )
    fuses: FusesTable | None = Field(default=None, description="of an image: fuses of its chip")
    senses: dict[str, SenseTable] = Field(
        default_factory=dict,
        description="of a C program or an image: 'supply' or an output = the pin that measures it",
    )
    settings: dict[str, Any] = Field(default_factory=dict, description="handed to the program")
    boot: Duration = Field(
        gt=0,
        description="longest time from reset until the program has its pins; needed unless"
        " 'logged', then 100 ms",
    )
    boots_in: Duration | None = Field(
        default=None,
        gt=0,
        description="usual time from reset until the program runs; default: boot",
    )
    watchdog: Duration | None = Field(
        default=None, description="longest time from a stopped program until its restart"
    )
    status: str | None = Field(default=None, description="the message that is the node's heartbeat")
    rejoin: Duration = Field(default=1_000 * MS, description="time to be back after a fault")
    restart_on_bus_off: bool = Field(
        default=False, description="it restarts by itself when its controller goes bus-off"
    )
    drift: Drift = Field(
        default=0.0, ge=0, description="how much its clock may be wrong, to either side"
    )
    returns: int = Field(
        default=10, ge=1, description="returns from bus-off in any second, at most"
    )
    failed_share: Share = Field(
        default=0.25,
        gt=0,
        description="share of the bus, over any second, that its failed attempts may take when it"
        " comes back from bus-off again and again",
    )
    also_sends: tuple[Identifier, ...] = Field(
        default=(),
        description="identifiers that it sends besides those of the DBC: '0x123' of a base frame,"
        " '0x18FF0010x' of an extended one",
    )
    sleeps_when: ConditionText | None = Field(
        default=None,
        description="condition over its own inputs; while it holds, the node goes to sleep",
    )
    asleep_within: Duration | None = Field(
        default=None,
        gt=0,
        description="longest time until it sleeps, from when 'sleeps_when' begins to hold, from its"
        " boot, or from the last that would have woken it",
    )
    wakes_by: tuple[str, ...] = Field(
        default=(),
        description="what wakes it: its inputs, messages, or 'any frame'; default: the inputs of"
        " 'sleeps_when'",
    )
    supply: NodeSupplyTable | None = Field(
        default=None, description="how it is fed; default: without a lead, at any voltage"
    )

    @model_validator(mode="before")
    @classmethod
    def _logged_boots(cls, values: Any) -> Any:
        logged = isinstance(values, dict) and values.get("logged") is True
        return {"boot": LOGGED_BOOT, **values} if logged else values

    @model_validator(mode="after")
    def _one_program(self) -> NodeTable:
        named = (self.python, self.script, self.image)
        programs = bool(self.c) + sum(name is not None for name in named)
        if self.logged and programs:
            raise ValueError("a node with 'logged = true' has no program; expected one of the two")
        if programs != 1 and not self.logged:
            text = "expected one program: 'python', 'script', 'c' or 'image'"
            raise ValueError(f"{text}; or 'logged = true' for a node of a logged drive")
        if self.channel is not None and self.script is None:
            raise ValueError("'channel' belongs to a node with 'script'")
        if (self.c or self.image) and self.fd:
            raise ValueError("a program in C knows classical CAN only; expected no 'fd'")
        return self

    @property
    def program_key(self) -> str:
        """The key that names its program."""
        keys = ("image", "script", "c")
        return next((key for key in keys if getattr(self, key)), "python")

    @property
    def runs_image(self) -> bool:
        """Whether an image runs, also one that is compiled from its sources."""
        return self.image is not None or (bool(self.c) and self.target.family == "avr")

    @model_validator(mode="after")
    def _of_image(self) -> NodeTable:
        own = ("chip", "board", "clock", "fuses")
        given = [key for key in own if getattr(self, key) is not None]
        if self.spi_can is not None and not (self.c or self.image):
            raise ValueError("'spi_can' belongs to a program in C or an image")
        if not self.runs_image:
            if given:
                text = f"'{given[0]}' belongs to an image; expected 'image', or 'target = \"avr\"'"
                raise ValueError(text)
            return self
        if self.chip is None and self.board is None:
            raise ValueError("an image runs on a processor; expected 'chip' or 'board'")
        return self

    @model_validator(mode="after")
    def _detector(self) -> NodeTable:
        """The fuses say when the processor resets, and the table of its supply says the same."""
        level = None if self.fuses is None else self.fuses.brown_out
        board = BOARDS.get(self.board or "")
        chip = CHIPS.get(self.chip or (board.chip if board else ""))
        if level is None or chip is None or self.supply is None:
            return self
        own = [key for key in ("brown_out", "least") if key in self.supply.model_fields_set]
        if own or not self.supply.brown_out_detector:
            text = f"'fuses.brown_out' says when it resets; expected no '{(*own, _DETECTOR)[0]}'"
            raise ValueError(f"{text} in its table 'supply'")
        clock_hz = chip.clock_hz if self.clock is None else self.clock
        reset_v, wild_v = chip.detector(BROWN_OUT_V[level], clock_hz)
        said: dict[str, object] = {"brown_out": round(wild_v + self.supply.regulator_drop, 3)}
        if "hysteresis" not in self.supply.model_fields_set:
            said["hysteresis"] = BROWN_OUT_HYSTERESIS_V
        if reset_v < wild_v:
            said |= {"least": round(reset_v + self.supply.regulator_drop, 3), _DETECTOR: False}
        return self.model_copy(update={"supply": self.supply.model_copy(update=said)})

    @model_validator(mode="after")
    def _sleep(self) -> NodeTable:
        if (self.sleeps_when is None) != (self.asleep_within is None):
            raise ValueError("expected both 'sleeps_when' and 'asleep_within', or neither")
        if self.wakes_by and self.sleeps_when is None:
            raise ValueError("'wakes_by' belongs to a node that sleeps; expected 'sleeps_when'")
        if self.sleeps_when is not None and self.python is None:
            raise ValueError("only a program in Python can put its board to sleep")
        return self

    @property
    def wakers(self) -> tuple[str, ...]:
        """What wakes it: inputs, messages, :data:`ANY_FRAME`; nothing if it does not sleep."""
        if self.wakes_by or self.sleeps_when is None:
            return self.wakes_by
        names: tuple[str, ...] = self.sleeps_when.names
        return names

    @property
    def also_sends_ids(self) -> tuple[tuple[int, bool], ...]:
        """The identifiers of ``also_sends``, each with whether it is extended."""
        return tuple(read_identifier(text) for text in self.also_sends)

    @property
    def usual_boot_ns(self) -> int:
        """The boot time when nothing is wrong, in ns."""
        return self.slowest_boot_ns if self.boots_in is None else self.boots_in

    @property
    def slowest_boot_ns(self) -> int:
        """The longest time until the program's first instruction, in ns: a blocking program needs
        some more until it has its pins.
        """
        whole = self.python is not None or self.logged
        return self.boot if whole else max(0, self.boot - self.target.setup)


def _position(position: str) -> str:
    """A position that conditions and the names of cases can hold. Raises ValueError.

    Other words of Python, such as ``in`` and ``not``, are read as positions where one is due.
    """
    if position in ("True", "False", "None"):
        text = f"'{position}' has a meaning of its own in conditions; expected another word"
        raise ValueError(f"{text}, such as '{position.lower()}'")
    if not _POSITION.fullmatch(position):
        plainer = "_".join(re.findall(r"\w+", position))
        hint = f", such as '{plainer}'" if plainer else ""
        text = f"'{position}' cannot stand in the name of a case; expected a position without"
        raise ValueError(f"{text} any of @ ( ) , / and blanks at its ends{hint}")
    return position


Position = Annotated[str, AfterValidator(_position)]


class InputTable(Table):
    """A switch with positions, or a sensor with a unit and a range."""

    wired_to: tuple[str, ...] = Field(min_length=1, description="the nodes that read it")
    positions: tuple[Position, ...] | None = Field(
        default=None, min_length=2, description="of a switch; first: rest"
    )
    unit: str | None = Field(default=None, description="unit of a sensor")
    range: tuple[float, float] | None = Field(default=None, description="limits of a sensor")
    open_reads: InputValue | None = Field(
        default=None, description="what a node reads when the lead is off; default: rest"
    )
    bounces: bool = Field(
        default=False, description="mechanical contacts: the bounce fault applies"
    )
    logged: str | dict[str, ConditionText] | None = Field(
        default=None,
        description="how a logged drive shows it: 'Message.Signal' of a sensor; of a switch, for"
        " each position the condition over logged signals, the first that holds; else rest",
    )

    tolerance: float | None = Field(
        default=None,
        gt=0,
        allow_inf_nan=False,
        description="of a sensor, in its unit: how far the signal that shows it may be off;"
        " default: two of the coarser of the steps of signal and pin",
    )
    settles: Duration = Field(
        default=0, description="of a sensor: longest time from its move until the signal shows it"
    )

    @property
    def rest(self) -> Value:
        """The value while nothing acts on it: the first position, or the lower limit."""
        if self.positions is not None:
            return self.positions[0]
        return self.range[0] if self.range is not None else 0.0

    @model_validator(mode="after")
    def _one_kind(self) -> InputTable:
        if (self.positions is None) == (self.range is None):
            raise ValueError("expected either 'positions' (a switch) or 'range' (a sensor)")
        if self.logged is not None and isinstance(self.logged, str) == (self.range is None):
            raise ValueError(
                "'logged' is one 'Message.Signal' for a sensor, and a table 'position ="
                " condition' for a switch"
            )
        if self.positions is not None and len(set(self.positions)) < len(self.positions):
            raise ValueError("each position of a switch has a name of its own")
        if self.range is not None and not -inf < self.range[0] < self.range[1] < inf:
            raise ValueError("the range of a sensor is its lower and its upper limit")
        return self


class OneTouch(Table):
    """A tap shorter than ``shorter_than`` keeps the request for ``lasts`` from the press."""

    shorter_than: Duration = Field(description="a longer press is no tap")
    lasts: Duration = Field(description="how long the request stays, from the press")


class Prime(Table):
    """The request is on for ``lasts`` after a condition begins to hold."""

    when: ConditionText = Field(description="condition over inputs")
    lasts: Duration = Field(description="how long the request stays on")


class Received(Table):
    """How a control node treats received signals that it decides by."""

    stale_after: Duration = Field(description="how long without a good message until it is stale")
    when_stale: Literal["on", "off"] = Field(
        default="off", description="what it decides while that message is stale"
    )


class RequestTable(Table):
    """What the inputs ask for: the truth that a control node's requests are judged by."""

    follows: ConditionText = Field(description="the request is on while this holds")
    until: ConditionText | None = Field(
        default=None, description="once on, it stays on until this holds (hysteresis)"
    )
    only_while: ConditionText | None = Field(
        default=None, alias="while", description="never on unless this holds too"
    )
    once_per_press: bool = Field(
        default=False,
        description="once 'while' has failed, 'follows' must end before it is on again",
    )
    off_delay: Duration | None = Field(default=None, description="how long it stays on afterwards")
    one_touch: OneTouch | None = None
    prime: Prime | None = None
    received: Received | None = None
    debounce: Duration = Field(default=20 * MS, description="how long the input must be stable")
    latency: Duration = Field(
        default=70 * MS, description="from the stable input to the controller"
    )

    @property
    def conditions(self) -> tuple[Condition, ...]:
        """All conditions of the request."""
        found = [self.follows, self.until, self.only_while, self.prime and self.prime.when]
        return tuple(condition for condition in found if condition is not None)


class Action(Table):
    """Something that the driver or the engine does."""

    at: Duration
    set: dict[str, InputValue] = Field(min_length=1, description="input = new value")


class SituationTable(Table):
    """What the driver and the engine are doing."""

    about: str = Field(default="", description="a word on it, for the reader")
    inputs: dict[str, InputValue] = Field(default_factory=dict, description="at the beginning")
    actions: tuple[Action, ...] = ()
    lasts: Duration = Field(description="length of the situation without a fault")


class UnjudgedTable(Table):
    """Something that no rule judges, and why that is right."""

    what: str = Field(min_length=1, description="as a check names it")
    reason: str = Field(min_length=1, description="why it need not be judged")


class VehicleFile(Table):
    """One car: its bus or buses, nodes, inputs, loads, requests, notices and situations."""

    title: str = Field(description="name of the vehicle")
    about: str = Field(default="", description="a word on it, for the reader")
    dbc: Annotated[str | tuple[str, ...] | None, BeforeValidator(_files)] = Field(
        default=None,
        description="the message definition, relative to this file, or a list of several; needed"
        " unless each bus has its own",
        json_schema_extra={"examples": ["car.dbc"]},
    )
    bus: Annotated[dict[str, BusTable], BeforeValidator(by_name)] = Field(
        description="the CAN cable; with a name, '[bus.NAME]', there may be several"
    )
    supply: SupplyTable | None = Field(
        default=None, description="battery and alternator; default: an ideal supply"
    )
    nodes: dict[str, NodeTable] = Field(min_length=1)
    messages: dict[str, MessageTable] = Field(
        default_factory=dict, description="how messages of the DBC are sent"
    )
    inputs: dict[str, InputTable] = Field(default_factory=dict)
    defaults: dict[str, Any] = Field(
        default_factory=dict, description="values for every load that does not say otherwise"
    )
    loads: dict[str, LoadTable] = Field(min_length=1)
    requests: dict[str, RequestTable] = Field(default_factory=dict)
    notices: dict[str, NoticeTable] = Field(default_factory=dict)
    routes: dict[str, RouteTable] = Field(
        default_factory=dict, description="what gateways pass on, by a name for each"
    )
    situations: dict[str, SituationTable] = Field(default_factory=dict)
    io: dict[str, IoTable] = Field(
        default_factory=dict, description="how a real node on the desk is wired to the I/O board"
    )
    unjudged: tuple[UnjudgedTable, ...] = Field(
        default=(), description="what no rule judges, and need not"
    )

    @property
    def dbc_files(self) -> tuple[str, ...]:
        """All message definitions."""
        return (*_listed(self.dbc), *(name for bus in self.bus.values() for name in bus.dbc_files))

    def bus_of(self, node: str) -> str:
        """The name of the bus that a node is on, of several the first. Raises KeyError for a node
        in no cable.
        """
        for name, bus in self.bus.items():
            if node in bus.cable:
                return name
        raise KeyError(node)

    def buses_of(self, node: str) -> tuple[str, ...]:
        """The names of the buses that a node is on, in the order of the file."""
        return tuple(name for name, bus in self.bus.items() if node in bus.cable)
