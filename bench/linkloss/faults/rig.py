"""What a fault may take hold of: a session as faults see it.

Faults stand below the session, so they name here what they need of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from linkloss.bus import Bus, BusRecord, Controller
from linkloss.clock import EventQueue
from linkloss.model.expression import Value
from linkloss.model.loading import Vehicle
from linkloss.power.network import Network
from linkloss.power.profiles import Profile

Edges = Callable[[Value, Value], list[tuple[int, Value]]]
"""What a line makes of a change: (delay in ns, value) pairs for old and new value."""


class Line(Protocol):
    """The lead from an input to a node."""

    value: Value
    edges: Edges | None

    def stick(self, value: Value) -> Callable[[], None]:
        """The node reads this value whatever the input does, until what is returned is called."""


class Lines(Protocol):
    """All inputs' lines."""

    def lines(self, name: str) -> Mapping[str, Line]:
        """The lines of an input, by node."""


class Host(Protocol):
    """A node's life."""

    slow: bool

    @property
    def controller(self) -> Controller:
        """Its CAN controller."""

    def reset(self, cause: str) -> None:
        """The program starts anew."""

    def hang(self) -> None:
        """The program stops."""

    def resume(self) -> None:
        """The program goes on."""


class Power(Protocol):
    """The electrical circuit."""

    @property
    def network(self) -> Network:
        """Battery, leads, fuses, switches and loads."""

    def change(self, action: Callable[[], object]) -> None:
        """Change something in it."""

    def follow(self, profile: Profile) -> Callable[[], None]:
        """A profile stands in place of battery and alternator; returns what ends that."""


class Rig(Protocol):
    """The session."""

    @property
    def vehicle(self) -> Vehicle:
        """The vehicle."""

    @property
    def queue(self) -> EventQueue:
        """The clock."""

    @property
    def bus(self) -> Bus:
        """The bus."""

    @property
    def inputs(self) -> Lines:
        """The inputs."""

    @property
    def hosts(self) -> Mapping[str, Host]:
        """The nodes."""

    @property
    def power(self) -> Power | None:
        """The circuit; None on an ideal supply."""

    @property
    def frames(self) -> Sequence[BusRecord]:
        """What has gone over the bus so far, in order of time."""
