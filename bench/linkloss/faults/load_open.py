"""The lead to a load is broken, or the load is burnt out."""

from __future__ import annotations

from random import Random

from linkloss.faults.base import Undo
from linkloss.faults.outputs import LoadFault, changed
from linkloss.faults.rig import Rig


class LoadOpen(LoadFault):
    """No current can flow through the load: its lead has come off, or its filament is broken."""

    kind = "load_open"

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        return changed(
            rig,
            lambda network: network.open_load(self.load),
            lambda network: network.open_load(self.load, -1),
        )

    def describe(self) -> str:
        return f"the lead to {self.load} broke"
