"""What a vehicle file says about a node's CAN controller: its properties, or a profile of them.

A profile names what such a chip offers, not a product. Properties beside it in the file override
it. The figures are common practice for chips of their kind; compare them with the data sheet of
yours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from linkloss.model.problem import unknown

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
"""By name; common practice."""


def _known(name: str) -> str:
    if name not in PROFILES:
        raise ValueError(unknown("controller", name, PROFILES))
    return name


class FilterTable(BaseModel):
    """One acceptance filter: those frames pass whose identifier agrees where the mask has ones."""

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
