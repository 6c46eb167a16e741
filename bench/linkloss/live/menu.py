"""What can be chosen on the terminal: inputs, nodes, faults that are there, kinds of faults."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from linkloss.live.commands import Apply, Clear, Command, Plain, Save, Set, Speed, Step
from linkloss.live.palette import Offer
from linkloss.live.view import State
from linkloss.model.expression import Value
from linkloss.model.loading import Vehicle
from linkloss.model.units import plain
from linkloss.model.vehicle import InputTable

SPEEDS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
_NOTCHES = 20
"""Steps from one end of a sensor's range to the other."""


@dataclass(frozen=True, slots=True)
class Row:
    """A line to choose. ``chosen`` is done on Enter, ``left`` and ``right`` by the arrow keys;
    ``kind`` names a kind of fault, of which the arrows choose one.
    """

    group: str
    text: str
    chosen: Command | None = None
    left: Command | None = None
    right: Command | None = None
    kind: str = ""


class Menu:
    """The rows for a state, and the one that is chosen."""

    def __init__(self, vehicle: Vehicle, offers: Sequence[Offer]) -> None:
        self._vehicle = vehicle
        self._kinds: dict[str, list[Offer]] = {}
        for offer in offers:
            self._kinds.setdefault(offer.fault.kind, []).append(offer)
        self._picked = dict.fromkeys(self._kinds, 0)
        self.at = 0

    def rows(self, state: State) -> list[Row]:
        """All rows, in order."""
        there = {active["number"] for active in state["faults"]}
        return [
            *(self._input(name, value) for name, value in state["inputs"].items()),
            *(self._there(state)),
            *(self._node(name, state) for name in state["nodes"]),
            *(self._kind(kind, there) for kind in self._kinds),
        ]

    def _input(self, name: str, value: Value) -> Row:
        table = self._vehicle.inputs[name]
        unit = f" {table.unit}" if table.unit else ""
        return Row(
            "inputs",
            f"{name}  < {plain(value)}{unit} >",
            left=_set(name, _beside(table, value, -1)),
            right=_set(name, _beside(table, value, 1)),
            chosen=_set(name, _beside(table, value, 1, around=True)),
        )

    @staticmethod
    def _there(state: State) -> Iterator[Row]:
        for active in state["faults"]:
            chosen = Clear(do="clear", fault=active["number"]) if active["number"] >= 0 else None
            yield Row("faults there now", f"{active['text']}  (Enter clears)", chosen)

    def _node(self, name: str, state: State) -> Row:
        node = state["nodes"][name]
        resets = (offer for offer in self._kinds.get("reset", []) if ("node", name) in offer.places)
        offer = next(resets, None)
        text = f"{name}: {node['program']}, {node['bus']}, TEC {node['tec']}, REC {node['rec']}"
        if offer is None:
            return Row("nodes", text)
        return Row("nodes", f"{text}  (Enter resets)", Apply(do="apply", fault=offer.number))

    def _kind(self, kind: str, there: set[int]) -> Row:
        offer = self._kinds[kind][self._picked[kind]]
        count = len(self._kinds[kind])
        place = f"{self._picked[kind] + 1} of {count}"
        if offer.number in there:
            return Row("faults", f"{kind}  < {offer.fault.describe()} >  {place}, is there",
                       Clear(do="clear", fault=offer.number), kind=kind)  # fmt: skip
        apply = Apply(do="apply", fault=offer.number)
        return Row("faults", f"{kind}  < {offer.fault.describe()} >  {place}", apply, kind=kind)

    def press(self, key: str, state: State) -> Command | None:
        """What a key asks for, if it asks for anything; moves the choice otherwise."""
        if key in ("+", "-"):
            return _speed(state["speed"], 1 if key == "+" else -1)
        if key in _PLAIN:
            return _PLAIN[key]
        if key == "p":
            return Plain(do="resume" if state["paused"] else "pause")
        rows = self.rows(state)
        self.at = max(0, min(self.at + _MOVES.get(key, 0), len(rows) - 1))
        row = rows[self.at]
        if key in ("left", "right") and row.kind:
            step = 1 if key == "right" else -1
            self._picked[row.kind] = (self._picked[row.kind] + step) % len(self._kinds[row.kind])
            return None
        return {"left": row.left, "right": row.right, "enter": row.chosen}.get(key)


_PLAIN: dict[str, Command] = {
    "c": Step(do="step", to="change"),
    "f": Step(do="step", to="frame"),
    "e": Step(do="step", to="event"),
    "x": Plain(do="clear_all"),
    "n": Plain(do="anew"),
    "s": Save(do="save", name="live"),
}
_MOVES = {"up": -1, "k": -1, "down": 1, "j": 1, "page up": -10, "page down": 10}


def _set(name: str, value: Value) -> Set:
    return Set(do="set", input=name, value=value)


def _beside(table: InputTable, value: Value, step: int, *, around: bool = False) -> Value:
    """The next value in a direction; at the end the last one, or the first one again."""
    if table.positions is not None:
        place = table.positions.index(str(value)) + step
        count = len(table.positions)
        return table.positions[place % count if around else max(0, min(place, count - 1))]
    assert table.range is not None
    low, high = table.range
    return max(low, min(high, float(value) + step * (high - low) / _NOTCHES))


def _speed(speed: float, step: int) -> Speed:
    faster = [known for known in SPEEDS if known > speed]
    slower = [known for known in SPEEDS if known < speed]
    if step > 0:
        return Speed(do="speed", value=faster[0] if faster else SPEEDS[-1])
    return Speed(do="speed", value=slower[-1] if slower else SPEEDS[0])
