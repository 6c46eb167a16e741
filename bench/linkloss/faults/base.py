"""What every fault is: a name in standard terms, parameters with units, how to apply and undo it.

A new fault is one class in the file of its kind; the catalogue finds it by itself.

:class:`Rig` is the session as faults see it. Faults are on a lower floor than the session, so this
file declares what they need of it.
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
"""How a line follows a change: (delay in ns, value) pairs for an old and a new value."""


class Line(Protocol):
    """The lead from an input to a node."""

    value: Value
    edges: Edges | None

    def stick(self, value: Value) -> Callable[[], None]:
        """The node reads this value, whatever the input does, until the returned function runs."""


class Lines(Protocol):
    """The lines of all inputs."""

    def lines(self, name: str) -> Mapping[str, Line]:
        """The lines of an input, by node."""


class Host(Protocol):
    """A node: its program and its supply."""

    slow: bool

    def on(self, bus: str | None) -> Controller:
        """Its CAN controller on a bus; None: on its only one."""

    def reset(self, cause: str) -> None:
        """Restart the program."""

    def hang(self) -> None:
        """Stop the program."""

    def resume(self) -> None:
        """Let the program go on."""


class Power(Protocol):
    """The electrical circuit."""

    @property
    def network(self) -> Network:
        """Battery, leads, fuses, switches and loads."""

    def change(self, action: Callable[[], object]) -> None:
        """Change something in the circuit."""

    def follow(self, profile: Profile) -> Callable[[], None]:
        """Replace battery and alternator by a profile; returns a function that ends this."""


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
        """The bus that a node is on, of several the first."""

    def bus_named(self, name: str) -> Bus:
        """A bus by its name in the vehicle file."""

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
        """The frames on the bus so far, in order of time."""


Undo = Callable[[], None]
Group = Literal["cable", "frames", "node", "input", "output"]


def nothing() -> None:
    """The undoing of a momentary fault."""


class Fault(BaseModel):
    """One fault with its parameters; frozen, so that several scenarios can share it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: ClassVar[str] = ""
    words: ClassVar[str] = ""
    """What :meth:`describe` says, with parameters in braces; unused where a class overrides it."""
    group: ClassVar[Group]
    lasting: ClassVar[bool] = True
    """Whether it lasts until it is cleared; a reset, for instance, is momentary."""
    electrical: ClassVar[bool] = False
    """Whether it needs a vehicle with a declared supply."""
    content: ClassVar[bool] = False
    """Whether it changes the content of what arrives, not only whether and when it arrives."""
    repeats: ClassVar[bool] = False
    """Whether it repeats a message with its counter: a check tries each value of that counter."""
    everywhere: ClassVar[bool] = False
    """Whether it can change what any node makes of any message, see :meth:`reaches`."""
    needs: ClassVar[str] = ""
    """Why a vehicle cannot have this fault, as a sentence; empty if there is nothing to say."""
    wiring: ClassVar[bool] = False
    """Whether it is a fault of the wiring that leaves the cable in one piece: a check tries those
    apart from the others, see :meth:`of_wiring`."""

    def problem(self, vehicle: Vehicle) -> str:
        """What does not fit the vehicle, as a text for the user; empty if all is well."""
        return node_problem(vehicle, *self.nodes()) or side_problem(vehicle, self)

    def apply(self, rig: Rig, random: Random) -> Undo:
        """Apply the fault, and return what undoes it."""
        raise NotImplementedError

    def describe(self) -> str:
        """The fault in a few plain words that fit after the word "after"."""
        return self.words.format(**dict(self))

    def nodes(self) -> tuple[str, ...]:
        """The nodes whose own program, controller, stub or line the fault touches: by default the
        one that its parameter ``node`` names.
        """
        node = getattr(self, "node", None)
        return () if node is None else (node,)

    def loads(self, vehicle: Vehicle) -> tuple[str, ...]:  # most hit none
        """The loads that cannot follow their command during the fault."""
        return ()

    def strikes(self, vehicle: Vehicle) -> Sequence[str]:
        """The names of the buses on which it can change anything: those that its parameters name,
        and those of the nodes and of the message that they name. All, if they name none, and where
        it is not a fault of the cable, of frames or of a node by itself.
        """
        told, buses = dict(self), vehicle.file.bus
        nodes = {*self.nodes(), *told.get("between", ())}
        nodes |= {told[key] for key in ("beside", "node", "receiver") if told.get(key)}
        found = {bus for node in nodes for bus in vehicle.file.buses_of(node)}
        if told.get("between"):
            found = {vehicle.between(*told["between"])}
        if told.get("message"):
            found = {vehicle.messages[told["message"]].bus}
        if told.get("bus"):
            found = {told["bus"]}
        if self.electrical or self.group in ("input", "output") or not found:
            return tuple(buses)
        return tuple(name for name in buses if name in found)

    def reaches(self, vehicle: Vehicle, message: str, sender: str, receiver: str) -> bool:
        """Whether it can change what ``receiver`` makes of a message of ``sender``.

        A fault of one message has the parameter ``message``, and ``receiver`` if it affects only
        one node's reception; any other fault affects its nodes.
        """
        if self.everywhere:
            return vehicle.messages[message].bus in self.strikes(vehicle)
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
        """Whether it is tried together with other faults, not only alone."""
        return not (cls.wiring or cls.electrical)

    @classmethod
    def of_wiring(cls, vehicle: Vehicle) -> Iterator[Fault]:
        """The instances that a full check also tries, as faults of the wiring."""
        if cls.wiring:
            yield from cls.every(vehicle)

    def label(self) -> str:
        """``kind(parameters)`` as in the name of a case."""
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
        """The parameters as a scenario file has them, without those that have their default."""
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


SIDE = "the bus, of a node on several"


def place(rig: Rig, node: str, bus: str | None) -> Bus:
    """The bus that a fault of a node's place on a cable acts on; None: its only one."""
    return rig.bus_of(node) if bus is None else rig.bus_named(bus)


def on_bus(bus: str | None) -> str:
    """A bus in a few words that fit behind a node; none for the only one of a node."""
    return "" if bus is None else f" on bus {bus}"


class CircuitFault(Fault):
    """A fault of the supply, or behind an output: it needs a vehicle with electrical data."""

    electrical = True

    def change(self, network: Network, by: int) -> None:
        """Change the circuit: ``by`` is 1 when the fault comes, -1 when it goes."""
        raise NotImplementedError

    def apply(self, rig: Rig, random: Random) -> Undo:
        power = rig.power
        assert power is not None, "the vehicle has no supply; problem() says so"
        power.change(lambda: self.change(power.network, 1))
        return lambda: power.change(lambda: self.change(power.network, -1))


_Hook = TypeVar("_Hook")


def hooked(hook: _Hook, *places: list[_Hook]) -> Undo:
    """Put a hook into some lists of hooks; returns a function that removes it."""
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
    """A parameter as in a label."""
    if isinstance(value, tuple):
        return ",".join(value)
    return plain(_written(field, value))


def _written(field: FieldInfo, value: Any) -> Any:
    """A parameter as users write it. Its value is a plain number; only its field tells its unit."""
    if value is None:
        return None
    inner = [getattr(kind, "__metadata__", ()) for kind in get_args(field.annotation)]
    for entry in chain(field.metadata, *inner):  # "Duration | None" keeps it with its parts
        write = _WRITERS.get(getattr(entry, "func", None))
        if write is not None:
            return write(value)
    return value


def node_problem(vehicle: Vehicle, *names: str) -> str:
    """The text for a node that the vehicle does not have; empty if it has them all."""
    for name in names:
        if name not in vehicle.nodes:
            return unknown("node", name, vehicle.nodes)
    return ""


def side_problem(vehicle: Vehicle, fault: Fault) -> str:
    """The text for a fault of one controller or plug that names no bus where its node is on
    several, or one that its node is not on; empty if it fits.
    """
    told = dict(fault)
    node = told.get("node") or told.get("beside")
    if node is None or "bus" not in told or told.get("message"):
        return ""
    own, bus = vehicle.file.buses_of(node), told["bus"]
    if bus is None:
        if len(own) < 2:
            return ""
        return f"node '{node}' is on {len(own)} buses; expected 'bus': {' or '.join(own)}"
    if bus in own:
        return ""
    return bus_problem(vehicle, bus) or f"node '{node}' is on bus '{own[0]}'"


def bus_problem(vehicle: Vehicle, name: str | None) -> str:
    """The text for a bus that the vehicle does not have; empty if it has it, or for None."""
    if name is None or name in vehicle.file.bus:
        return ""
    if "" in vehicle.file.bus:
        return f"got bus '{name}', and the only bus has no name; expected no 'bus'"
    return unknown("bus", name, vehicle.file.bus)


def message_problem(vehicle: Vehicle, name: str) -> str:
    """The text for a message that no node of the vehicle sends; empty if one does."""
    if name not in vehicle.messages:
        return unknown("message", name, vehicle.messages)
    if not any(sender in vehicle.nodes for sender in vehicle.messages[name].senders):
        return f"no node of the vehicle sends message '{name}'"
    return ""
