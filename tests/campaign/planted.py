"""Rear nodes with a mistake that no single fault brings to light: it takes a story of several."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import can

from linkloss_nodes import MS, Board
from linkloss_nodes.power import PowerNode
from linkloss_nodes.unit import StatusSettings

LAMPS = ("tail_left", "tail_right", "plate_lamp")
OUT_NS = 300 * MS
SETTLED_NS = 100 * MS


class ConfusedRear(PowerNode):
    """It notes in its memory what was asked for and that the link is out, until the link has been
    back for a while. After a reset it believes that note more than a first request that differs.

    So it takes: the cable is out, the lights are switched meanwhile, and the node resets before
    the cable is back or just when it is.
    """

    def __init__(self, board: Board) -> None:
        super().__init__(board)
        self._lamps = board.messages.get_message_by_name("LampRequest")
        self._heard_ns = board.now_ns()
        self._back_ns: int | None = None
        self._first = True
        self._stubborn = False

    def prepare_status(self, settings: StatusSettings) -> None:
        self.load_failed = lambda: False  # what it does to its lamps, no watch of currents knows
        super().prepare_status(settings)

    def start(self) -> None:
        super().start()
        self._after_outage = bool(self.board.memory.get("out", False))
        self.board.every(10 * MS, self._watch)

    def _watch(self) -> None:
        if self.board.now_ns() - self._heard_ns > OUT_NS:
            self.board.memory["out"] = True
            self._back_ns = None

    def on_frame(self, message: can.Message) -> None:
        super().on_frame(message)
        if message.arbitration_id == self._lamps.frame_id:
            told: Any = self._lamps.decode(bytes(message.data), decode_choices=False)
            self._lamps_asked(float(told["Position"]))

    def _lamps_asked(self, asked: float) -> None:
        memory, now_ns = self.board.memory, self.board.now_ns()
        self._heard_ns = now_ns
        if self._first:
            self._first = False
            self._stubborn = self._after_outage and asked != memory.get("asked", asked)
        if self._stubborn:
            for lamp in LAMPS:
                self.board.write(lamp, memory["asked"])
            return
        self._back_ns = now_ns if self._back_ns is None else self._back_ns
        if now_ns - self._back_ns >= SETTLED_NS:
            memory["out"] = False
        if not memory.get("out", False):
            memory["asked"] = asked


def can_confuse(kinds_and_labels: Iterable[str]) -> bool:
    """Whether faults with these labels may bring the mistake out: one restarts the rear node.

    Without a restart the node does what the node it is made from does.
    """
    return any(label.startswith(RESTARTS) for label in kinds_and_labels)


RESTARTS = ("reset(rear", "slow_boot(rear", "hang(rear")
