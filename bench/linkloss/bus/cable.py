"""Who sits where on the cable, which of its conductors are open, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Literal, NamedTuple

from linkloss.bus.circuit import GROUND, SUPPLY, Circuit, Nets, Transceiver
from linkloss.bus.controller import Controller
from linkloss.bus.line import Line, hold_bits
from linkloss.bus.wiring import Wiring

Conductor = Literal["both", "CAN_H", "CAN_L"]
Contact = Literal["CAN_H-CAN_L", "CAN_H-ground", "CAN_H-supply", "CAN_L-ground", "CAN_L-supply"]
"""Which two things touch in a short."""

_CONDUCTORS = ("CAN_H", "CAN_L")
_RAILS = {"ground": GROUND, "supply": SUPPLY}
_TRIED_WHOLE = 8
"""Of so many members at most every set is tried, to tell whether all see the same."""


class Short(NamedTuple):
    """Two conductors touch on the trunk, beside a controller."""

    beside: str
    contact: Contact


@dataclass(slots=True)
class _Place:
    """One point of the trunk: the controllers whose stubs meet there, and which conductors are cut
    between it and the next one.
    """

    controllers: list[Controller] = field(default_factory=list)
    cut: set[str] = field(default_factory=set)


class Cable:
    """A trunk with stubs. Knows the groups of controllers that are connected to each other."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.shorts: list[Short] = []
        self.swapped: list[str] = []
        """Whose stub has its conductors exchanged."""
        self.stuck: list[str] = []
        """Whose transceiver drives the bus dominant all the time."""
        self.dead: list[str] = []
        """Whose transceiver has stopped to drive the bus."""
        self.grounds: dict[str, float] = {}
        """By how many volts a controller's ground is above that of the car."""
        self._places: list[_Place] = []
        self._open: dict[str, set[str]] = {}

    def controllers(self) -> list[Controller]:
        """All of them in cable order."""
        return [controller for place in self._places for controller in place.controllers]

    def add(self, controller: Controller, beside: str | None) -> None:
        """Put a controller at the far end, or at the place of another one.

        :raises ValueError: if the name is taken, or ``beside`` is not on the cable.
        """
        if any(other.name == controller.name for other in self.controllers()):
            raise ValueError(f"the bus already has a controller named {controller.name!r}")
        if beside is None:
            self._places.append(_Place([controller]))
        else:
            self._places[self._index(beside)].controllers.append(controller)

    def remove(self, controller: Controller) -> None:
        """Take a controller away. A cut behind an emptied place stays where it is.

        :raises ValueError: if it is not on the cable.
        """
        index = self._index(controller.name)
        place = self._places[index]
        place.controllers.remove(controller)
        self._open.pop(controller.name, None)
        if not place.controllers:
            del self._places[index]
            if index > 0:
                self._places[index - 1].cut |= place.cut

    def cut(self, left: str, right: str, conductor: Conductor = "both") -> None:
        """Cut the trunk, or one of its conductors, between two neighbours.

        :raises ValueError: if they are not neighbours on the cable.
        """
        self._between(left, right).cut.update(_each(conductor))

    def mend(self, left: str, right: str, conductor: Conductor = "both") -> None:
        """Join the trunk between two neighbours again.

        :raises ValueError: if they are not neighbours on the cable.
        """
        self._between(left, right).cut.difference_update(_each(conductor))

    def unplug(self, name: str, conductor: Conductor = "both") -> None:
        """Pull the stub of one controller, or one of its conductors, off the trunk.

        :raises ValueError: if it is not on the cable.
        """
        self._index(name)
        self._open.setdefault(name, set()).update(_each(conductor))

    def plug(self, name: str, conductor: Conductor = "both") -> None:
        """Put the stub of one controller back.

        :raises ValueError: if it is not on the cable.
        """
        self._index(name)
        self._open.setdefault(name, set()).difference_update(_each(conductor))

    def known(self, name: str) -> None:
        """Refuse a name that is not on the cable.

        :raises ValueError: if it is not.
        """
        self._index(name)

    def groups(self) -> list[tuple[Controller, ...]]:
        """The connected groups in cable order; an unplugged controller is a group of its own. Those
        that one conductor connects are one group unless neither side sees what the other drives.
        """
        groups: list[tuple[Controller, ...]] = []
        run: list[Controller] = []
        for place in self._places:
            for controller in place.controllers:
                if len(self._open.get(controller.name, ())) == len(_CONDUCTORS):
                    groups.append((controller,))
                else:
                    run.append(controller)
            if len(place.cut) == len(_CONDUCTORS):
                groups.append(tuple(run))
                run = []
        groups.append(tuple(run))
        return [part for group in groups for part in self._parts(group)]

    def _parts(self, group: tuple[Controller, ...]) -> list[tuple[Controller, ...]]:
        """A group as it is, or the parts of it that do not see each other, whatever they drive."""
        names = [controller.name for controller in group]
        if len(group) < 2 or not self._has_fault(names):
            return [group] if group else []
        circuit = self._circuit(names)
        parts: list[int] = []
        for place in range(len(group)):
            part = circuit.seen(1 << place) | 1 << place
            for other in [known for known in parts if known & part]:
                parts.remove(other)
                part |= other
            parts.append(part)
        for one, other in combinations(parts, 2):
            if circuit.seen(one | other) != one | other:
                return [group]
        if any(circuit.seen(1 << place) == 0 for place in range(len(group))):
            return [group]
        return [
            tuple(it for place, it in enumerate(group) if part >> place & 1)
            for part in sorted(parts, key=lambda part: part & -part)
        ]

    def wiring(
        self, group: Sequence[Controller], bit_rate: int, data_bit_rate: int
    ) -> Wiring | None:
        """What the controllers of a group see of each other; None where all see the same."""
        names = [controller.name for controller in group]
        forced = _set_of(names, self.stuck)
        dead = _set_of(names, self.dead)
        strangers = tuple(c for c in group if c.bit_rate not in (None, bit_rate))
        fast = data_bit_rate if any(controller.fd for controller in group) else bit_rate
        hold = self._hold(len(names), bit_rate), self._hold(len(names), fast)
        if not (forced or dead or any(hold) or strangers or self._has_fault(names)):
            return None
        circuit = self._circuit(names)
        plain = not (forced or dead or any(hold)) and _is_plain(circuit, len(names))
        if plain and not strangers:
            return None
        return Wiring(circuit.seen, forced, dead, hold, strangers if plain else None)

    def _hold(self, nodes: int, bit_rate: int) -> int:
        if self.line.terminators is None:
            return 0
        return hold_bits(self.line, self.line.terminators, nodes, bit_rate)

    def _has_fault(self, names: Sequence[str]) -> bool:
        """Whether anything but whole cuts and plugs, which make groups, is wrong with a group."""
        one_open = any(
            len(cut) == 1 for cut in (*(p.cut for p in self._places), *self._open.values())
        )
        return bool(
            one_open or self.shorts or any(n in self.swapped or n in self.grounds for n in names)
        )

    def _circuit(self, names: Sequence[str]) -> Circuit:
        nets = Nets()
        trunk: dict[str, int] = {}
        for index, place in enumerate(self._places):
            for controller in place.controllers:
                trunk[controller.name] = index
            if index + 1 < len(self._places):
                for conductor in _CONDUCTORS:
                    if conductor not in place.cut:
                        nets.join(f"{conductor} {index}", f"{conductor} {index + 1}")
        for short in self.shorts:
            first, second = short.contact.split("-")
            index = trunk[short.beside]
            nets.join(f"{first} {index}", _RAILS.get(second, f"{second} {index}"))
        for name, index in trunk.items():
            for conductor in _CONDUCTORS:
                if conductor not in self._open.get(name, ()):
                    pin = conductor
                    if name in self.swapped:
                        pin = _CONDUCTORS[1 - _CONDUCTORS.index(conductor)]
                    nets.join(f"{pin} of {name}", f"{conductor} {index}")
        transceivers = [
            Transceiver(
                nets.of(f"CAN_H of {name}"),
                nets.of(f"CAN_L of {name}"),
                self.grounds.get(name, 0.0),
            )
            for name in names
        ]
        ends = {0: 1, len(self._places) - 1: 1} if len(self._places) > 1 else {0: 2}
        terminators = [
            (nets.of(f"CAN_H {index}"), nets.of(f"CAN_L {index}"))
            for index, count in self._terminated(ends).items()
            for _ in range(count)
        ]
        return Circuit(transceivers, terminators)

    def _terminated(self, ends: dict[int, int]) -> dict[int, int]:
        """At which places terminators are: without a fault one at each end."""
        count = self.line.terminators
        if count is None or count == 2:
            return ends
        if count > 2:
            middle = len(self._places) // 2
            return {**ends, middle: ends.get(middle, 0) + count - 2}
        return {0: count} if count else {}

    def _index(self, name: str) -> int:
        for index, place in enumerate(self._places):
            if any(controller.name == name for controller in place.controllers):
                return index
        raise ValueError(f"no controller {name!r} on the bus; it has {self._order()}")

    def _between(self, left: str, right: str) -> _Place:
        first, second = sorted((self._index(left), self._index(right)))
        if second - first != 1:
            raise ValueError(
                f"{left!r} and {right!r} are not neighbours on the cable; "
                f"from end to end it has {self._order()}"
            )
        return self._places[first]

    def _order(self) -> str:
        places = (" beside ".join(c.name for c in place.controllers) for place in self._places)
        return ", ".join(places) or "none"


def _each(conductor: Conductor) -> tuple[str, ...]:
    return _CONDUCTORS if conductor == "both" else (conductor,)


def _set_of(names: Sequence[str], some: Sequence[str]) -> int:
    return sum(1 << place for place, name in enumerate(names) if name in some)


def _is_plain(circuit: Circuit, count: int) -> bool:
    """Whether all see a dominant level whoever drives it."""
    everyone = (1 << count) - 1
    tried = list(range(1, everyone + 1))
    if count > _TRIED_WHOLE:
        alone = [1 << place for place in range(count)]
        tried = [*(a | b for a in alone for b in alone), everyone]
    return circuit.seen(0) == 0 and all(circuit.seen(driven) == everyone for driven in tried)
