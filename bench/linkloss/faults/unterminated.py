"""The CAN cable has not the two terminators that belong at its ends."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random
from typing import Literal

from pydantic import Field

from linkloss.faults.base import Fault, Undo
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle


class Unterminated(Fault):
    """A terminator is missing, or both are, or a third one hangs on the cable.

    A third one, or the loss of one on a cable as short as a car's, leaves every bit readable; with
    none the bus stays dominant for too long behind each dominant bit (bus/line.py, where it
    is told what is left out). Pieces that a cut leaves without terminators are not looked at so.
    """

    kind = "unterminated"
    group = "cable"
    wiring = True
    everywhere = True

    terminators: Literal[0, 1, 3] = Field(description="how many there are instead of two")

    def problem(self, vehicle: Vehicle) -> str:  # noqa: ARG002 - every cable has terminators
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        with rig.bus.rewiring() as cable:
            before, cable.line.terminators = cable.line.terminators, self.terminators

        def undo() -> None:
            with rig.bus.rewiring() as cable:
                cable.line.terminators = before

        return undo

    def describe(self) -> str:
        return {0: "both terminators", 1: "a terminator"}.get(
            self.terminators, "a third terminator"
        ) + (" came off" if self.terminators < 2 else " was on the cable")

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:  # noqa: ARG003 - the same for all
        for terminators in (0, 1, 3):
            yield cls(terminators=terminators)
