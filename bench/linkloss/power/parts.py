"""What the circuit of a car is made of besides its outputs, and what happens in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from linkloss.power.channel import Channel
from linkloss.power.circuit import BODY
from linkloss.power.fuses import Fuse
from linkloss.power.loads import Line, Straight
from linkloss.power.profiles import Profile
from linkloss.power.supply import NodeSupply

What = Literal["fuse_opened", "fed", "cut_off", "power_lost", "power_back"]


class Event(NamedTuple):
    """Something happened in the circuit.

    ``name``: a load for ``fuse_opened`` (the first on that fuse, or ``feed of NODE``), ``fed`` and
    ``cut_off``; a node for ``power_lost`` and ``power_back``.
    """

    at_ns: int
    what: What
    name: str


@dataclass(slots=True)
class Terminal:
    """How a node hangs on the car: resistances in ohm (None: no lead of its own), its supply."""

    feed_ohm: float | None = None
    ground_ohm: float | None = None
    link: tuple[str, float] | None = None
    feed_fuse: Fuse | None = None
    supply: NodeSupply = field(default_factory=NodeSupply)
    amps: float = 0.0
    plus: int = BODY
    minus: int = BODY
    feed_lost: int = 0
    ground_lost: int = 0
    siemens: float = 0.0
    """Of the feed, as it was last laid."""

    @property
    def ohm(self) -> float:
        """Feed and ground together, without fuse and link, in ohm."""
        return (self.feed_ohm or 0.0) + (self.ground_ohm or 0.0)

    @property
    def feed_siemens(self) -> float:
        """Conductance of the feed with its fuse; 0 where it is lost."""
        if self.feed_ohm is None or self.feed_lost or (self.feed_fuse and self.feed_fuse.opened):
            return 0.0
        fuse = 0.0 if self.feed_fuse is None else self.feed_fuse.ohm
        return 1 / (self.feed_ohm + fuse)

    @property
    def ground_siemens(self) -> float:
        """Conductance of the ground lead; 0 where it is lost."""
        return 0.0 if self.ground_ohm is None or self.ground_lost else 1 / self.ground_ohm


@dataclass(slots=True)
class Starter:
    """The starter motor: it is on the battery while the coil of a load has pulled in."""

    coil: str
    channel: Channel


class Source(Straight):
    """A profile in place of battery and alternator."""

    def __init__(self, profile: Profile, since_ns: int) -> None:
        self.profile = profile
        self.since_ns = since_ns
        self.volts = profile.volts(0)

    def line(self, volts: float) -> Line:
        """A voltage behind the profile's resistance."""
        del volts
        return Line(1 / self.profile.ohm, -self.volts / self.profile.ohm)
