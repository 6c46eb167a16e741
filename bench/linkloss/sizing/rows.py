"""What a power plan is made of: a line for each load, node and lead, and findings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from linkloss.power.fuses import Kind

Weight = Literal["broken", "hint"]

COMMON = "common practice"
FUSE_GUIDE = "a fuse maker's guide on pulses, looked up"
BAND = "time-current band of ISO 8820-3, from datasheets, second hand"
COLOURS = "the ratings of ISO 8820-3 with their colours, in part looked up, in part from memory"
CABLE_LIST = "a cable maker's list for thin-wall cable at 30 degC, looked up, and common practice"
DROPS = "an automotive handbook's list of allowed voltage drops, from memory"
HEATING = "adiabatic heating of PVC-covered copper, k = 115 (IEC 60364-5-54), from memory"


@dataclass(frozen=True, slots=True)
class Finding:
    """Something about a load or a node that does not suit (``broken``), or to think about."""

    weight: Weight
    subject: str
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class FuseUse:
    """A fuse and the current that it carries for ever; ``worth``: its rating where it sits, in A.

    ``wanted`` is the smallest rating that keeps the 80 % rule; None: no single fuse does.
    """

    rating: float
    kind: Kind
    worth: float
    amps: float
    wanted: float | None

    @property
    def share(self) -> float:
        """How much of its worth is used."""
        return self.amps / self.worth


@dataclass(frozen=True, slots=True)
class LoadLine:
    """A load: A at the volts of its nameplate, V lost from the battery to it and back.

    ``drop`` and ``allowed`` are None for what sits on the node itself, without a lead.
    """

    name: str
    node: str
    kind: str
    amps: float
    start_amps: float
    fuse: FuseUse | None
    shares_with: str | None
    area_mm2: float | None
    size: str
    length_m: float
    drop: float | None
    allowed: float | None


@dataclass(frozen=True, slots=True)
class NodeLine:
    """A node with all of its loads on: A through its feed, V lost in feed and ground."""

    name: str
    amps: float
    fuse: FuseUse | None
    size: str
    length_m: float
    drop: float
    sleeping_a: float | None


@dataclass(frozen=True, slots=True)
class LeadLine:
    """One lead to cut: from where to where, and the fuse at its beginning in A."""

    start: str
    end: str
    colour: str
    size: str
    length_m: float
    fuse: float | None


@dataclass(frozen=True, slots=True)
class Shed:
    """What is lost when the battery's voltage has fallen so far."""

    volts: float
    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Sleep:
    """Current of the sleeping car in A, and days until the battery is half empty and empty."""

    amps: float
    capacity_ah: float
    unknown: tuple[str, ...]

    @property
    def days(self) -> float | None:
        """Until the battery is empty; None without a current."""
        return self.capacity_ah / self.amps / 24 if self.amps > 0 else None
