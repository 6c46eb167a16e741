"""Who sits where on the cable, where the cable is cut, and whose stub is unplugged."""

from __future__ import annotations

from dataclasses import dataclass, field

from bench.wire.controller import Controller


@dataclass(slots=True)
class _Place:
    """One point of the trunk: the controllers whose stubs meet there."""

    controllers: list[Controller] = field(default_factory=list)
    cut_behind: bool = False


class Cable:
    """A trunk with stubs. Knows the groups of controllers that are connected to each other."""

    def __init__(self) -> None:
        self._places: list[_Place] = []
        self._unplugged: set[str] = set()

    def controllers(self) -> list[Controller]:
        """All of them in cable order."""
        return [controller for place in self._places for controller in place.controllers]

    def add(self, controller: Controller, beside: str | None) -> None:
        """Put a controller at the far end, or at the place of another one.

        :raises ValueError: if the name is taken, or ``beside`` is not on the cable.
        """
        if any(other.name == controller.name for other in self.controllers()):
            raise ValueError(f"the wire already has a controller named {controller.name!r}")
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
        self._unplugged.discard(controller.name)
        if not place.controllers:
            del self._places[index]
            if index > 0:
                self._places[index - 1].cut_behind |= place.cut_behind

    def cut(self, left: str, right: str) -> None:
        """Cut the trunk between two neighbours.

        :raises ValueError: if they are not neighbours on the cable.
        """
        self._between(left, right).cut_behind = True

    def mend(self, left: str, right: str) -> None:
        """Join the trunk between two neighbours again.

        :raises ValueError: if they are not neighbours on the cable.
        """
        self._between(left, right).cut_behind = False

    def unplug(self, name: str) -> None:
        """Pull the stub of one controller off the trunk.

        :raises ValueError: if it is not on the cable.
        """
        self._index(name)
        self._unplugged.add(name)

    def plug(self, name: str) -> None:
        """Put the stub of one controller back.

        :raises ValueError: if it is not on the cable.
        """
        self._index(name)
        self._unplugged.discard(name)

    def groups(self) -> list[tuple[Controller, ...]]:
        """The connected groups in cable order; an unplugged controller is a group of its own."""
        groups: list[tuple[Controller, ...]] = []
        run: list[Controller] = []
        for place in self._places:
            for controller in place.controllers:
                if controller.name in self._unplugged:
                    groups.append((controller,))
                else:
                    run.append(controller)
            if place.cut_behind:
                groups.append(tuple(run))
                run = []
        groups.append(tuple(run))
        return [group for group in groups if group]

    def _index(self, name: str) -> int:
        for index, place in enumerate(self._places):
            if any(controller.name == name for controller in place.controllers):
                return index
        raise ValueError(f"no controller {name!r} on the wire; it has {self._order()}")

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
