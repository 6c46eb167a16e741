"""What every fault is: a name in trade words, parameters with units, how to apply, how to undo.

A new fault is one class in the file of its kind; the catalogue finds it by itself.

What a fault may take hold of: a session as faults see it.

Faults stand below the session, so they name here what they need of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import chain
from random import Random
from typing import Any, ClassVar, Literal, Protocol, TypeVar, get_args

from pydantic import BaseModel, ConfigDict
from pydantic.fields import FieldInfo

from linkloss.bus import Bus, BusRecord, Controller
from linkloss.clock import EventQueue
from linkloss.power.network import Network
from linkloss.power.supply import Profile
from linkloss.problem import unknown
from linkloss.units import (
    parse_bit_rate,
    parse_duration,
    parse_length,
    parse_voltage,
    plain,
    write_bit_rate,
    write_duration,
    write_length,
    write_voltage,
)
from linkloss.vehicle.expression import Value
from linkloss.vehicle.loading import Vehicle

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
    """A node: its program and its supply."""

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
    def buses(self) -> Sequence[Bus]:
        """The buses, in the order of the vehicle file."""

    def bus_of(self, node: str) -> Bus:
        """The bus that a node is on."""

    def bus_with(self, message: str) -> Bus:
        """The bus that carries a message."""

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


Undo = Callable[[], None]
Group = Literal["cable", "frames", "node", "input", "output"]


def nothing() -> None:
    """The undoing of a fault that is over at once."""


class Fault(BaseModel):
    """One fault with its parameters; frozen, so it can stand in several scenarios."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: ClassVar[str] = ""
    words: ClassVar[str] = ""
    """What :meth:`describe` says, with its parameters in braces; not where that takes more."""
    group: ClassVar[Group]
    lasting: ClassVar[bool] = True
    """Whether it stays until it is cleared; a reset, for instance, is over at once."""
    electrical: ClassVar[bool] = False
    """Whether it needs a vehicle that says how it is supplied."""
    content: ClassVar[bool] = False
    """Whether it changes what arrives, and not only whether and when something arrives."""
    repeats: ClassVar[bool] = False
    """Whether it repeats a message with its counter: a check tries each value where it shows."""
    everywhere: ClassVar[bool] = False
    """Whether it can change what any node makes of any message, see :meth:`reaches`."""
    needs: ClassVar[str] = ""
    """What a vehicle lacks that cannot have it, as a sentence; empty: there is nothing to say."""
    wiring: ClassVar[bool] = False
    """Whether it is a fault of the wiring that leaves the cable in one piece: a check tries those
    apart from the others, see :meth:`of_wiring`."""

    def problem(self, vehicle: Vehicle) -> str:
        """What does not fit the vehicle, as a text for the user; empty when all is well."""
        return node_problem(vehicle, *self.nodes())

    def apply(self, rig: Rig, random: Random) -> Undo:
        """Do it, and return what undoes it."""
        raise NotImplementedError

    def describe(self) -> str:
        """The fault in a few plain words that fit behind "after"."""
        return self.words.format(**dict(self))

    def nodes(self) -> tuple[str, ...]:
        """The nodes whose own program, controller, stub or line the fault touches: the one that its
        parameter ``node`` names.
        """
        node = getattr(self, "node", None)
        return () if node is None else (node,)

    def loads(self, vehicle: Vehicle) -> tuple[str, ...]:  # most hit none
        """The loads that cannot do as they are told while the fault is there."""
        return ()

    def reaches(self, vehicle: Vehicle, message: str, sender: str, receiver: str) -> bool:
        """Whether it can change what ``receiver`` makes of a message of ``sender``.

        A fault of one message has the parameter ``message``, and ``receiver`` if only one node's
        reception is concerned; any other concerns its nodes.
        """
        if self.everywhere:
            return True
        own = getattr(self, "message", None)
        if own is not None:
            return bool(own == message and getattr(self, "receiver", receiver) == receiver)
        return sender in self.nodes() or receiver in self.nodes()

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        """The instances that a check of this vehicle tries."""
        raise NotImplementedError

    @classmethod
    def meets_others(cls) -> bool:
        """Whether it is tried together with other faults, and not only alone."""
        return not (cls.wiring or cls.electrical)

    @classmethod
    def of_wiring(cls, vehicle: Vehicle) -> Iterator[Fault]:
        """The instances that a full check tries besides, as faults of the wiring."""
        if cls.wiring:
            yield from cls.every(vehicle)

    def label(self) -> str:
        """``kind(parameters)`` as it stands in the name of a case."""
        fields = type(self).model_fields
        shown = []
        for name, value in self:
            text = _shown(fields[name], value)
            if fields[name].is_required():
                shown.append(text)
            elif value != fields[name].default:
                shown.append(f"{name}={text}")
        return f"{self.kind}({','.join(shown)})"

    def written(self) -> dict[str, Any]:
        """The parameters as a scenario file has them, without those that are at their default."""
        fields = type(self).model_fields
        return {
            name: _written(fields[name], value)
            for name, value in self
            if fields[name].is_required() or value != fields[name].default
        }


class NodeFault(Fault):
    """A fault of one node: of its program, its processor or its controller."""

    group = "node"

    node: str

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node in vehicle.nodes:
            yield cls(node=node)


class CircuitFault(Fault):
    """A fault of the supply, or behind an output: it needs a vehicle with electrical data."""

    electrical = True

    def change(self, network: Network, by: int) -> None:
        """Change the circuit: ``by`` is 1 where the fault comes, -1 where it goes."""
        raise NotImplementedError

    def apply(self, rig: Rig, random: Random) -> Undo:
        power = rig.power
        assert power is not None, "the vehicle has no supply; problem() says so"
        power.change(lambda: self.change(power.network, 1))
        return lambda: power.change(lambda: self.change(power.network, -1))


_Hook = TypeVar("_Hook")


def hooked(hook: _Hook, *places: list[_Hook]) -> Undo:
    """Put a hook into some lists of hooks until this is undone."""
    for place in places:
        place.append(hook)

    def undo() -> None:
        for place in places:
            place.remove(hook)

    return undo


_WRITERS: dict[Any, Callable[[Any], str]] = {
    parse_duration: write_duration,
    parse_bit_rate: write_bit_rate,
    parse_voltage: write_voltage,
    parse_length: write_length,
}


def _shown(field: FieldInfo, value: Any) -> str:
    """A parameter as it stands in a label."""
    if isinstance(value, tuple):
        return ",".join(value)
    return plain(_written(field, value))


def _written(field: FieldInfo, value: Any) -> Any:
    """A parameter as users write it. What has a unit can only be told from its field, its value is
    a plain number.
    """
    if value is None:
        return None
    inner = [getattr(kind, "__metadata__", ()) for kind in get_args(field.annotation)]
    for entry in chain(field.metadata, *inner):  # those of "Duration | None" stand with its parts
        write = _WRITERS.get(getattr(entry, "func", None))
        if write is not None:
            return write(value)
    return value


def node_problem(vehicle: Vehicle, *names: str) -> str:
    """The text for a node that the vehicle does not have; empty when it has them all."""
    for name in names:
        if name not in vehicle.nodes:
            return unknown("node", name, vehicle.nodes)
    return ""


def message_problem(vehicle: Vehicle, name: str) -> str:
    """The text for a message that no node of the vehicle sends; empty when one does."""
    if name not in vehicle.messages:
        return unknown("message", name, vehicle.messages)
    if not any(sender in vehicle.nodes for sender in vehicle.messages[name].senders):
        return f"no node of the vehicle sends message '{name}'"
    return ""
