"""A node wired to an I/O board as ``[io.NODE]`` says: loads and inputs in place of lines."""

from __future__ import annotations

from collections.abc import Mapping

from linkloss.desk.board_link import BoardLink
from linkloss.desk.io_board import Command, Equipment, Felt
from linkloss.problem import BadInput, unknown
from linkloss.sizing.desk_wires import nominal_volts, thresholds
from linkloss.vehicle.desk_wiring import IoTable, line_number
from linkloss.vehicle.expression import Value
from linkloss.vehicle.loading import Vehicle

_ANSWER_S = 3.0


def ensure_wired(vehicle: Vehicle, node: str) -> IoTable:
    """The wiring of a node. Raises BadInput for a node that the vehicle does not have, or that has
    no table ``[io.NODE]``.
    """
    if node not in vehicle.nodes:
        raise BadInput.one("linkloss", "--real", unknown("node", node, vehicle.nodes))
    if node not in vehicle.io:
        text = f"says nothing of how '{node}' is wired to the I/O board; expected its table"
        raise BadInput.one(vehicle.path, f"io.{node}", text)
    return vehicle.io[node]


class WiredNode:
    """A real node behind an open I/O board.

    :raises BadInput: if the board has other lines than the vehicle file says, or does not do what
        it is told.
    """

    def __init__(self, vehicle: Vehicle, node: str, link: BoardLink) -> None:
        self.vehicle, self.node, self.link = vehicle, node, link
        self.table = ensure_wired(vehicle, node)
        self.loads = {self.table.felt_line(load): load for load in self.table.feels}
        self.prepare()

    def prepare(self) -> None:
        """Set the board up, as after each of its starts. Raises BadInput if it cannot be."""
        there = self.link.with_board(lambda board: board.equipment)
        kind = self.table.kind
        if there is None or tuple(there[2:]) != tuple(kind):
            got = "nothing" if there is None else _told(there)
            text = f"a board of {self.table.board} has {_told(Equipment(0, 0, *kind))}; got {got}"
            raise BadInput.one(self.vehicle.path, f"io.{self.node}.board", text)
        volts = nominal_volts(self.vehicle, self.table)
        orders = [
            self._set_thresholds(line_number(feel.line), *thresholds(feel, volts))
            for feel in self.table.feels.values()
            if feel.line.startswith("an")
        ]
        self.carry_out(orders)

    def _set_thresholds(self, line: int, low: int, high: int) -> Command:
        return self.link.with_board(lambda board: board.thresholds(line, low, high))

    def carry_out(self, orders: list[Command]) -> None:
        """Wait until the board has done what it was asked for. Raises BadInput if it does not."""
        done = self.link.wait(lambda _: all(order.over for order in orders), _ANSWER_S)
        failed = [order.failed for order in orders if order.failed]
        if not done or failed:
            text = self.link.lost or (failed or ["the I/O board does not answer"])[0]
            raise BadInput.one("linkloss", f"--io {self.link.path}", text)

    def level(self, load: str, felt: Felt | int) -> float:
        """What a load got, from what its line was: 0 off, 1 on, between them its duty."""
        raw = float(felt) if isinstance(felt, int) else felt.duty
        if raw is None:
            assert not isinstance(felt, int)
            raw = float(felt.level)
        return 1.0 - raw if self.table.feels[load].inverted else raw

    def levels(self) -> Mapping[str, float]:
        """What each felt load gets now. Waits for the board to look at all its lines anew: what it
        told last may be older. Raises BadInput if it does not answer.
        """
        begun = self.link.with_board(lambda board: board.beats)
        if not self.link.wait(lambda board: board.beats >= begun + 2, _ANSWER_S):
            text = self.link.lost or "the I/O board does not answer"
            raise BadInput.one("linkloss", f"--io {self.link.path}", text)
        shown = self.link.with_board(lambda board: board.shown)
        return {load: self.level(load, shown >> line & 1) for line, load in self.loads.items()}

    def drive(self, name: str, value: Value) -> Command | None:
        """Make an input of the node; None where no line makes it."""
        table = self.table.drives.get(name)
        if table is None:
            return None
        line, level = line_number(table.line), int(value in table.positions)
        return self.link.with_board(lambda board: board.drive(line, level))

    def pull(self, what: str, *, away: bool) -> Command | None:
        """Take the node's ``supply``, its ``plug``, or hold its ``reset``; or let go of it. None
        where no relay does it.
        """
        relay = self.table.relays.get(what)
        if relay is None:
            return None
        return self.link.with_board(lambda board: board.relay(line_number(relay), int(away)))


def _told(there: Equipment) -> str:
    return (
        f"{there.digital} digital, {there.analog} analogue and {there.drives} driven lines and"
        f" {there.relays} relays"
    )
