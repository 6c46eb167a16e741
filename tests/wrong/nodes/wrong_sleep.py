"""Nodes that sleep: one that is right, and what is wrong with others."""

from __future__ import annotations

from linkloss_nodes import MS, Board, S
from linkloss_nodes.power import PowerNode
from linkloss_nodes.sleep import Sleeper


class RightSleeper(PowerNode):
    """The bundled power node, which sleeps by its settings."""


class NeverSleeps(PowerNode):
    """It has no thought of sleep, and empties the battery."""

    def __init__(self, board: Board) -> None:
        super().__init__(board)
        self._sleeper = None


class WokenByChatter(PowerNode):
    """Any frame on the bus wakes it, and its neighbours never stop."""

    def fall_asleep(self) -> None:
        self._feeds.rest()
        self.board.sleep(frames=True)


class WokenByAnyInput(PowerNode):
    """Every input wakes it, also one that the car does not name."""

    def fall_asleep(self) -> None:
        self._feeds.rest()
        self.board.sleep()


class DeafToTheBrake(PowerNode):
    """It arms the key alone."""

    def fall_asleep(self) -> None:
        self._feeds.rest()
        self.board.sleep(["key"])


class LampStaysLit(PowerNode):
    """It forgets that an output which is on as it falls asleep stays on."""

    def fall_asleep(self) -> None:
        self.board.sleep(["key", "brake"])


class ForgetsTheBrake(PowerNode):
    """With the key off it sleeps, foot on the brake or not: the brake lamps go dark."""

    def __init__(self, board: Board) -> None:
        super().__init__(board)
        settings = self.check_settings({**board.settings, "sleep": {"when": "key == off"}}).sleep
        self._sleeper = Sleeper(board, self.sender, settings, self.fall_asleep)

    def fall_asleep(self) -> None:
        self._feeds.rest()
        self.board.sleep(["key", "brake"])


class SendsOnceAsleep(PowerNode):
    """It is dark and silent but for one heartbeat, and not asleep: the board runs on."""

    dozes = False

    def fall_asleep(self) -> None:
        if not self.dozes:
            self.dozes = True
            self._feeds.rest()
            status = self.sender.message("RearStatus")
            status._period_ns = 60 * S
            status.start(700 * MS)
