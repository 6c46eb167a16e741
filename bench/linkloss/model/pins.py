"""What a vehicle file says about the pins and the processor of a program in C or C++."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from linkloss.model.units import Duration

US = 1_000


class PinTable(BaseModel):
    """One pin and what it means."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pin: int = Field(ge=0, le=255, description="number of the pin, as the program uses it")
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
        {"pin": entry} if isinstance(entry, int) and not isinstance(entry, bool) else entry
        for entry in entries
    ]


Pins = Annotated[
    tuple[PinTable, ...],
    BeforeValidator(_pins, json_schema_input_type=int | PinTable | list[int | PinTable]),
]


class TargetTable(BaseModel):
    """The processor that the program is written for."""

    model_config = ConfigDict(extra="forbid", frozen=True)

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
